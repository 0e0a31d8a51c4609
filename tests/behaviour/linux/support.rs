//! Loop devices and mounts that are gone when the test is, however it ends.

use std::path::{Path, PathBuf};
use std::process::Command;

pub use crate::skip::skip;

/// Whether the tools named are there and we are root; says so if not.
pub fn can(name: &str, tools: &[&str]) -> bool {
    if !rustix::process::geteuid().is_root() {
        skip(name, "needs root");
        return false;
    }
    if !Path::new("/dev/loop-control").exists() {
        skip(name, "no loop devices here");
        return false;
    }
    for tool in tools {
        let found = std::env::var_os("PATH").is_some_and(|paths| {
            std::env::split_paths(&paths).any(|folder| folder.join(tool).exists())
        });
        if !found {
            skip(name, &format!("{tool} is not installed"));
            return false;
        }
    }
    true
}

/// Runs a tool; its output if it succeeds, what it complained about if not.
pub fn run(tool: &str, arguments: &[&str]) -> Result<String, String> {
    let out = Command::new(tool)
        .args(arguments)
        .output()
        .map_err(|e| format!("{tool}: {e}"))?;
    if out.status.success() {
        Ok(String::from_utf8_lossy(&out.stdout).trim().to_owned())
    } else {
        Err(format!(
            "{tool} {arguments:?}: {}",
            String::from_utf8_lossy(&out.stderr)
        ))
    }
}

/// A loop device over a file.
pub struct Loop {
    pub node: PathBuf,
}

impl Loop {
    pub fn over(image: &Path) -> Self {
        let node = run(
            "losetup",
            &[
                "--find",
                "--show",
                "--direct-io=on",
                image.to_str().unwrap(),
            ],
        )
        .unwrap();
        let made = Self { node: node.into() };
        // The flag of a former user outlives the device; the next one starts clean.
        let _ = run("blockdev", &["--setrw", made.path()]);
        made
    }

    /// A fresh image of `bytes` in `folder`, as a loop device.
    pub fn fresh(folder: &Path, name: &str, bytes: u64) -> Self {
        let image = folder.join(name);
        std::fs::File::create(&image)
            .unwrap()
            .set_len(bytes)
            .unwrap();
        Self::over(&image)
    }

    pub fn path(&self) -> &str {
        self.node.to_str().unwrap()
    }

    /// Makes an ext4 file system on it.
    pub fn ext4(&self) -> &Self {
        let options = "nodiscard,lazy_itable_init=0,lazy_journal_init=0";
        run("mkfs.ext4", &["-q", "-F", "-E", options, self.path()]).unwrap();
        self
    }
}

impl Drop for Loop {
    fn drop(&mut self) {
        let _ = run("blockdev", &["--setrw", self.path()]);
        let _ = run("losetup", &["--detach", self.path()]);
    }
}

/// A mount.
pub struct Mounted {
    pub point: PathBuf,
}

impl Mounted {
    /// `mount ARGUMENTS POINT`; the point is made if missing.
    pub fn try_at(point: &Path, arguments: &[&str]) -> Result<Self, String> {
        if !point.exists() {
            std::fs::create_dir_all(point).unwrap();
        }
        let mut all = arguments.to_vec();
        all.push(point.to_str().unwrap());
        run("mount", &all)?;
        Ok(Self {
            point: point.to_owned(),
        })
    }

    pub fn at(point: &Path, arguments: &[&str]) -> Self {
        Self::try_at(point, arguments).unwrap()
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let point = self.point.to_str().unwrap();
        // Between its fork and its exec a command of another test holds what this one had open: busy for a moment. Taken
        // off lazily, the image would be read before everything is in it.
        for _ in 0..100 {
            if run("umount", &[point]).is_ok() {
                return;
            }
            std::thread::sleep(std::time::Duration::from_millis(100));
        }
        let _ = run("umount", &["--lazy", point]);
    }
}
