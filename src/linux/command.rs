//! Running a command of the technician's, and telling which words of it name a device.
//!
//! Invariant: nothing is run through a shell; the command gets exactly the words it was given. Whoever calls
//! gets control back only when the command has ended.

use super::fault::io_fault;
use crate::port::{DeviceNamed, Fault, FaultKind};
use rustix::fs::{FileType, major, minor, stat};
use rustix::process::{Pid, Signal, kill_process};
use std::ffi::OsString;
use std::os::fd::AsFd;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// How often a running command is looked at.
const LOOK: Duration = Duration::from_millis(20);

/// Runs a command to its end; its exit code, `None` = ended by a signal. When `stop` is set meanwhile, the
/// command is asked to end (SIGTERM), once, and waited for.
///
/// # Errors
/// When it cannot be started, or `stop` was set before.
pub fn run(
    command: &[OsString],
    output_aside: bool,
    stop: &AtomicBool,
) -> Result<Option<i32>, Fault> {
    let Some((program, words)) = command.split_first() else {
        return Err(Fault::new(
            FaultKind::Other,
            "starting a command",
            "there is none",
        ));
    };
    let doing = || format!("starting '{}'", program.to_string_lossy());
    if stop.load(Ordering::Acquire) {
        return Err(Fault::new(
            FaultKind::Other,
            doing(),
            "somebody asked to stop before it was started",
        ));
    }
    let mut starting = Command::new(program);
    starting.args(words);
    if output_aside {
        let aside = std::io::stderr()
            .as_fd()
            .try_clone_to_owned()
            .map_err(|e| io_fault(doing(), &e))?;
        starting.stdout(Stdio::from(aside));
    }
    let mut child = starting.spawn().map_err(|e| io_fault(doing(), &e))?;
    let mut told = false;
    loop {
        match child.try_wait() {
            Ok(Some(status)) => return Ok(status.code()),
            Ok(None) => {}
            // Nothing may be said of a command that cannot be waited for, except that it is not known to have ended.
            Err(e) => return Err(io_fault(doing(), &e)),
        }
        if !told && stop.load(Ordering::Acquire) {
            told = true;
            // One that has just ended needs no telling.
            let _ = kill_process(Pid::from_child(&child), Signal::TERM);
        }
        std::thread::sleep(LOOK);
    }
}

/// What a path names, when a command could write to a drive through it: a block device, or a character device
/// other than terminals and the harmless ones of the kernel's memory driver (`null`, `zero`, `full`, `random`,
/// `urandom`; Linux `Documentation/admin-guide/devices.txt`, majors 1, 4, 5, 136 to 143).
pub fn device_named(path: &Path) -> Option<DeviceNamed> {
    let seen = stat(path).ok()?;
    match FileType::from_raw_mode(seen.st_mode) {
        FileType::BlockDevice => Some(DeviceNamed::Block),
        FileType::CharacterDevice => match (major(seen.st_rdev), minor(seen.st_rdev)) {
            (1, 3 | 5 | 7 | 8 | 9) | (4 | 5 | 136..=143, _) => None,
            _ => Some(DeviceNamed::Character),
        },
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(words: &[&str]) -> Vec<OsString> {
        words.iter().map(OsString::from).collect()
    }

    #[test]
    fn exit_codes_and_signals_are_told_apart() {
        let calm = AtomicBool::new(false);
        let run = |list: &[&str]| run(&words(list), true, &calm);
        assert_eq!(run(&["true"]), Ok(Some(0)));
        assert_eq!(run(&["sh", "-c", "exit 7"]), Ok(Some(7)));
        assert_eq!(run(&["sh", "-c", "kill -9 $$"]), Ok(None));
        assert!(run(&["/no/such/program"]).is_err());
        assert!(run(&[]).is_err());
    }

    #[test]
    fn a_wish_to_stop_reaches_the_command_and_its_end_is_waited_for() {
        let stop = AtomicBool::new(false);
        let ended = std::thread::scope(|scope| {
            scope.spawn(|| {
                std::thread::sleep(Duration::from_millis(200));
                stop.store(true, Ordering::Release);
            });
            run(
                &words(&[
                    "sh",
                    "-c",
                    "trap 'exit 9' TERM; while :; do sleep 0.05; done",
                ]),
                true,
                &stop,
            )
        });
        assert_eq!(ended, Ok(Some(9)));
        assert!(run(&words(&["true"]), true, &stop).is_err());
    }

    #[test]
    fn harmless_devices_are_no_drives() {
        for path in [
            "/dev/null",
            "/dev/zero",
            "/dev/urandom",
            "/dev/tty",
            "/etc",
            "/none",
        ] {
            assert_eq!(device_named(Path::new(path)), None, "{path}");
        }
        if Path::new("/dev/loop-control").exists() {
            assert!(device_named(Path::new("/dev/loop-control")).is_some());
        }
    }
}
