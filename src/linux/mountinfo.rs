//! `/proc/self/mountinfo` as a list of mounts (Linux `Documentation/filesystems/proc.rst`, section 3.5).
//!
//! Invariant: text in, values out; a line that is not understood is left out, never guessed at.

/// One mount of this process's namespace.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mount {
    /// Mount id, as `statx` tells it too.
    pub id: u64,
    /// Id of the mount that this one lies on.
    pub parent: u64,
    /// Major and minor number of the file system; major 0 = no single device.
    pub device: (u32, u32),
    /// Which folder of the file system is shown, exact bytes.
    pub root: Vec<u8>,
    /// Where it is shown, exact bytes.
    pub point: Vec<u8>,
    /// Options of this mount (`rw`, `relatime`).
    pub options: String,
    /// File system type (`ext4`, `fuse.name`).
    pub file_system: String,
    /// What is mounted: a device path, a server, or any word. Exact bytes.
    pub source: Vec<u8>,
    /// Options of the file system itself.
    pub super_options: String,
}

impl Mount {
    /// Whether nothing can be written through this mount.
    pub fn read_only(&self) -> bool {
        has_option(&self.options, "ro") || self.file_system_read_only()
    }

    /// Whether the file system as a whole is mounted read-only.
    pub fn file_system_read_only(&self) -> bool {
        has_option(&self.super_options, "ro")
    }
}

fn has_option(options: &str, wanted: &str) -> bool {
    options.split(',').any(|option| option == wanted)
}

/// Parses the text of `mountinfo`.
pub fn parse_mountinfo(text: &[u8]) -> Vec<Mount> {
    text.split(|b| *b == b'\n').filter_map(parse_line).collect()
}

fn parse_line(line: &[u8]) -> Option<Mount> {
    let mut fields = line.split(|b| *b == b' ').filter(|field| !field.is_empty());
    let id = number(fields.next()?)?;
    let parent = number(fields.next()?)?;
    let device = device_number(std::str::from_utf8(fields.next()?).ok()?)?;
    let root = unescape(fields.next()?);
    let point = unescape(fields.next()?);
    let options = String::from_utf8_lossy(fields.next()?).into_owned();
    // Any number of optional tags, known or not, up to a lone hyphen.
    fields.find(|field| *field == b"-")?;
    let file_system = String::from_utf8_lossy(&unescape(fields.next()?)).into_owned();
    // An empty source is legal and leaves one field fewer.
    let (source, super_options) = match (fields.next(), fields.next()) {
        (Some(source), Some(options)) => (unescape(source), options),
        (Some(options), None) => (Vec::new(), options),
        _ => (Vec::new(), &b""[..]),
    };
    Some(Mount {
        id,
        parent,
        device,
        root,
        point,
        options,
        file_system,
        source,
        super_options: String::from_utf8_lossy(&unescape(super_options)).into_owned(),
    })
}

fn number(field: &[u8]) -> Option<u64> {
    std::str::from_utf8(field).ok()?.parse().ok()
}

/// `MAJOR:MINOR` as mountinfo and sysfs print it.
pub(super) fn device_number(text: &str) -> Option<(u32, u32)> {
    let (major, minor) = text.trim().split_once(':')?;
    Some((major.parse().ok()?, minor.parse().ok()?))
}

/// Turns `\ooo` (three octal digits) back into the byte; everything else stays.
pub(super) fn unescape(field: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(field.len());
    let mut rest = field;
    while let Some((first, after)) = rest.split_first() {
        if *first == b'\\'
            && let Some(digits) = after.get(..3)
            && let Some(byte) = octal(digits)
        {
            out.push(byte);
            rest = after.get(3..).unwrap_or_default();
        } else {
            out.push(*first);
            rest = after;
        }
    }
    out
}

fn octal(digits: &[u8]) -> Option<u8> {
    digits.iter().try_fold(0u8, |value, digit| match digit {
        b'0'..=b'7' => value.checked_mul(8)?.checked_add(digit - b'0'),
        _ => None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_example_of_the_kernel_documentation_is_understood() {
        // Linux Documentation/filesystems/proc.rst, 3.5 /proc/<pid>/mountinfo
        let text =
            b"36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n";
        let mounts = parse_mountinfo(text);
        assert_eq!(
            mounts,
            vec![Mount {
                id: 36,
                parent: 35,
                device: (98, 0),
                root: b"/mnt1".to_vec(),
                point: b"/mnt2".to_vec(),
                options: "rw,noatime".into(),
                file_system: "ext3".into(),
                source: b"/dev/root".to_vec(),
                super_options: "rw,errors=continue".into(),
            }]
        );
        assert!(!mounts[0].read_only());
    }

    #[test]
    fn tags_are_skipped_and_odd_names_come_back_exactly() {
        let text = b"1 0 8:1 / /a\\040b\\011c\\134d ro shared:1 master:2 unheard-of - vfat /dev/sd\\040x rw\n\
            broken line\n2 1 0:5 / /q rw - tmpfs  rw\n";
        let mounts = parse_mountinfo(text);
        assert_eq!(mounts.len(), 2);
        assert_eq!(mounts[0].point, b"/a b\tc\\d");
        assert_eq!(mounts[0].source, b"/dev/sd x");
        assert!(mounts[0].read_only());
        assert!(!mounts[0].file_system_read_only());
        assert_eq!(mounts[1].source, b"");
        assert_eq!(mounts[1].super_options, "rw");
    }

    #[test]
    fn the_machine_we_run_on_is_understood_whole() {
        let text = std::fs::read("/proc/self/mountinfo").unwrap();
        let lines = text
            .split(|b| *b == b'\n')
            .filter(|l| !l.is_empty())
            .count();
        assert_eq!(parse_mountinfo(&text).len(), lines);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        #[test]
        fn any_bytes_are_taken(text in proptest::collection::vec(any::<u8>(), 0..400)) {
            let _ = parse_mountinfo(&text);
            prop_assert!(unescape(&text).len() <= text.len());
        }
    }
}
