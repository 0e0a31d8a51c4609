//! What the root of a volume or folder is: a whole system, a folder of people's folders, one person's folder, or
//! anything else.
//!
//! Invariant: only evidence makes a root more than a folder. Rules that leave things out begin at such roots, so a
//! folder of pictures of windows called `Windows` loses nothing, and neither does one on a volume of data: a Windows
//! installation is one by its kernel or its registry, not by the name of a folder.

/// What a root is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum RootKind {
    /// A volume with a Windows installation.
    Windows,
    /// A volume with a macOS installation.
    Mac,
    /// A volume with a Linux installation.
    Linux,
    /// A volume without one that Windows starts its recovery system from.
    Recovery,
    /// Any other volume.
    Data,
    /// The folder that holds the people's folders (`Users`, `home`).
    Holder,
    /// One person's folder.
    Profile,
    /// Anything else.
    Folder,
}

/// What a root is, and which folders directly in it look like a person's.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Root {
    /// What it is.
    pub kind: RootKind,
    /// Names of folders directly in the root that look like a person's folder.
    pub profiles: Vec<String>,
}

/// How many folders of a root are looked into at most.
const LOOKED_INTO: usize = 64;

impl Root {
    /// A root that nothing is known of.
    pub fn folder() -> Self {
        Self {
            kind: RootKind::Folder,
            profiles: Vec::new(),
        }
    }

    /// Tells from names alone. `root_name` is the root folder's own name (empty for a volume), `volume` whether it is
    /// the root of a volume, `top` the names directly in it, `below` the names in a folder at a path below it (nothing for a file).
    pub fn guess(
        root_name: &str,
        volume: bool,
        top: &[String],
        below: &mut dyn FnMut(&str) -> Vec<String>,
    ) -> Self {
        let kind = if has_windows(top, below) {
            RootKind::Windows
        } else if has(top, "users")
            && has(top, "library")
            && any(top, &["system", "applications", "private"]) > 0
        {
            RootKind::Mac
        } else if any(top, &["etc", "usr"]) > 0
            && any(
                top,
                &["etc", "usr", "var", "bin", "sbin", "lib", "home", "root"],
            ) >= 3
        {
            RootKind::Linux
        } else if volume && has_recovery(top, below) {
            RootKind::Recovery
        } else if volume {
            RootKind::Data
        } else if looks_like_profile(top) {
            RootKind::Profile
        } else if is_holder(root_name) || (has(top, "public") && has(top, "default")) {
            RootKind::Holder
        } else {
            RootKind::Folder
        };
        let profiles = if matches!(
            kind,
            RootKind::Folder | RootKind::Data | RootKind::Windows | RootKind::Recovery
        ) {
            top.iter()
                .filter(|name| !is_holder(name))
                .take(LOOKED_INTO)
                .filter(|name| looks_like_profile(&below(name)))
                .cloned()
                .collect()
        } else {
            Vec::new()
        };
        Self { kind, profiles }
    }
}

/// The names that are `wanted` but for case.
fn like(names: &[String], wanted: &str) -> Vec<String> {
    let alike = names
        .iter()
        .filter(|name| name.eq_ignore_ascii_case(wanted));
    alike.cloned().collect()
}

/// Whether the recovery system is there: its image, the memory disk that it is loaded into and the note of where it lies,
/// all three (Microsoft, "Windows Recovery Environment"; a lone image may be anybody's).
fn has_recovery(top: &[String], below: &mut dyn FnMut(&str) -> Vec<String>) -> bool {
    for recovery in like(top, "recovery") {
        for folder in like(&below(&recovery), "windowsre") {
            let names = below(&format!("{recovery}/{folder}"));
            if any(&names, &["winre.wim", "boot.sdi", "reagent.xml"]) == 3 {
                return true;
            }
        }
    }
    false
}

/// Whether a Windows installation is there: its kernel, or its registry (places since Windows NT 3.1).
fn has_windows(top: &[String], below: &mut dyn FnMut(&str) -> Vec<String>) -> bool {
    for windows in like(top, "windows") {
        for system in like(&below(&windows), "system32") {
            let system = format!("{windows}/{system}");
            let names = below(&system);
            if has(&names, "ntoskrnl.exe") {
                return true;
            }
            for config in like(&names, "config") {
                let hives = below(&format!("{system}/{config}"));
                if any(&hives, &["system", "software"]) > 0 {
                    return true;
                }
            }
        }
    }
    false
}

/// Whether a folder of this name, at a root, holds people's folders.
pub(super) fn is_holder(name: &str) -> bool {
    ["users", "home", "documents and settings"]
        .iter()
        .any(|holder| holder.eq_ignore_ascii_case(name))
}

/// Whether names found in a folder are those of a person's folder.
pub fn looks_like_profile(names: &[String]) -> bool {
    any(names, &["appdata", "ntuser.dat", "ntuser.man"]) > 0
        || any(
            names,
            &[
                "desktop",
                "documents",
                "downloads",
                "pictures",
                "music",
                "videos",
                "movies",
                "library",
            ],
        ) >= 2
        || any(
            names,
            &[
                ".bashrc",
                ".profile",
                ".bash_history",
                ".config",
                ".local",
                ".cache",
                ".ssh",
                ".zshrc",
            ],
        ) >= 2
}

fn has(names: &[String], wanted: &str) -> bool {
    names.iter().any(|name| name.eq_ignore_ascii_case(wanted))
}

fn any(names: &[String], wanted: &[&str]) -> usize {
    wanted.iter().filter(|name| has(names, name)).count()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(text: &str) -> Vec<String> {
        text.split(',').map(str::to_owned).collect()
    }

    fn kind(root: &str, volume: bool, top: &str) -> RootKind {
        holding(root, volume, top, &[])
    }

    fn holding(root: &str, volume: bool, top: &str, inside: &[(&str, &str)]) -> RootKind {
        let mut below = |path: &str| {
            let found = inside.iter().find(|(at, _)| *at == path);
            found.map_or_else(Vec::new, |(_, list)| names(list))
        };
        Root::guess(root, volume, &names(top), &mut below).kind
    }

    /// The kernel and the registry of every Windows since NT 3.1 (Microsoft, "Registry Hives": `%SystemRoot%\System32\Config`).
    #[test]
    fn windows_is_where_its_kernel_or_registry_is() {
        let top = "Windows,Users,pagefile.sys";
        for inside in [
            &[
                ("Windows", "system32"),
                ("Windows/system32", "NTOSKRNL.EXE,x.dll"),
            ][..],
            &[
                ("Windows", "System32,Web"),
                ("Windows/System32", "config"),
                ("Windows/System32/config", "SYSTEM"),
            ],
        ] {
            assert_eq!(holding("", true, top, inside), RootKind::Windows);
            assert_eq!(holding("disk", false, top, inside), RootKind::Windows);
        }
        for inside in [
            &[][..],
            &[("Windows", "tagebuch.dat,Fotos")],
            &[
                ("Windows", "System32"),
                ("Windows/System32", "tagebuch.dat,config"),
            ],
        ] {
            assert_eq!(holding("", true, top, inside), RootKind::Data);
        }
    }

    #[test]
    fn a_recovery_volume_has_its_three_parts_and_no_system() {
        let of = |files| {
            let inside = [("Recovery", "WindowsRE"), ("Recovery/WindowsRE", files)];
            holding("", true, "Recovery,Fotos", &inside)
        };
        assert_eq!(
            of("Winre.wim,boot.sdi,ReAgent.xml,brief.doc"),
            RootKind::Recovery
        );
        assert_eq!(of("Winre.wim"), RootKind::Data);
        assert_eq!(of("Winre.wim,boot.sdi"), RootKind::Data);
    }

    #[test]
    fn evidence_makes_the_kind() {
        assert_eq!(kind("", true, "Users,Library,System"), RootKind::Mac);
        assert_eq!(kind("", true, "etc,usr,var,home"), RootKind::Linux);
        assert_eq!(kind("", true, "Photos"), RootKind::Data);
        assert_eq!(kind("anna", false, "AppData,Stuff"), RootKind::Profile);
        assert_eq!(kind("anna", false, "Documents,Pictures"), RootKind::Profile);
        assert_eq!(kind("ben", false, ".bashrc,.config"), RootKind::Profile);
        assert_eq!(kind("Users", false, "anna"), RootKind::Holder);
        assert_eq!(kind("x", false, "anna,Public,Default"), RootKind::Holder);
        assert_eq!(kind("x", false, "Windows,Doors"), RootKind::Folder);
        assert_eq!(kind("x", false, "Documents"), RootKind::Folder);
    }

    #[test]
    fn folders_that_look_like_a_person_are_named() {
        let root = Root::guess("old", false, &names("anna,papers"), &mut |name| {
            names(if name == "anna" {
                "Desktop,Documents"
            } else {
                "2019"
            })
        });
        assert_eq!(
            (root.kind, root.profiles),
            (RootKind::Folder, names("anna"))
        );
    }
}
