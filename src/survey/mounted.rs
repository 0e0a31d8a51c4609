//! Which partition a drive letter stands for: the values of `MountedDevices` in a `SYSTEM` hive.
//!
//! Invariant: what is not one of the two forms that name a partition names none here; nothing is guessed.

/// What a letter stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Mounted {
    /// A partition of a disk with an MBR: the disk's signature and the first byte of the partition.
    Mbr {
        /// Disk signature.
        disk: u32,
        /// First byte on the disk.
        first_byte: u64,
    },
    /// A partition of a disk with a GUID partition table: its own GUID, as it lies on the disk.
    Gpt([u8; 16]),
    /// Something else: a removable drive, an optical one, a disk put together from several.
    Other,
}

impl Mounted {
    /// From the value's data: signature and place (12 bytes), or `DMIO:ID:` and a GUID (24 bytes).
    pub fn of(data: &[u8]) -> Self {
        if let Some(guid) = data.strip_prefix(b"DMIO:ID:")
            && let Ok(guid) = guid.try_into()
        {
            return Self::Gpt(guid);
        }
        match (data.len(), data.first_chunk::<4>(), data.last_chunk::<8>()) {
            (12, Some(disk), Some(place)) => Self::Mbr {
                disk: u32::from_le_bytes(*disk),
                first_byte: u64::from_le_bytes(*place),
            },
            _ => Self::Other,
        }
    }
}

/// The letter of a value called `\DosDevices\X:`.
pub fn letter(name: &str) -> Option<char> {
    let (head, tail) = name.split_at_checked("\\DosDevices\\".len())?;
    let mut tail = tail.chars();
    match (tail.next(), tail.next(), tail.next()) {
        (Some(letter), Some(':'), None)
            if head.eq_ignore_ascii_case("\\DosDevices\\") && letter.is_ascii_alphabetic() =>
        {
            Some(letter.to_ascii_uppercase())
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The two forms as the mount manager keeps them (Microsoft, "Supporting Mount Manager Requests"; lengths seen on real hives).
    #[test]
    fn both_forms_and_nothing_else() {
        let mut mbr = 0x1234_abcdu32.to_le_bytes().to_vec();
        mbr.extend((50u64 << 20).to_le_bytes());
        let expected = Mounted::Mbr {
            disk: 0x1234_abcd,
            first_byte: 50 << 20,
        };
        assert_eq!(Mounted::of(&mbr), expected);
        let mut gpt = b"DMIO:ID:".to_vec();
        gpt.extend([7; 16]);
        assert_eq!(Mounted::of(&gpt), Mounted::Gpt([7; 16]));
        for other in [
            &b""[..],
            b"DMIO:ID:short",
            &mbr[..11],
            &[0; 13],
            b"_\0?\0?\0_\0",
        ] {
            assert_eq!(Mounted::of(other), Mounted::Other, "{other:?}");
        }
    }

    #[test]
    fn only_letters_are_letters() {
        assert_eq!(letter("\\DosDevices\\D:"), Some('D'));
        assert_eq!(letter("\\dosdevices\\d:"), Some('D'));
        for other in [
            "\\??\\Volume{0b1c2d3e}",
            "\\DosDevices\\",
            "\\DosDevices\\1:",
            "\\DosDevices\\D:x",
            "#{0b1c}",
            "ä",
        ] {
            assert_eq!(letter(other), None, "{other}");
        }
    }
}
