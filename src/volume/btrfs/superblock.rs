//! The superblock and its copies: where the trees begin, and what kind of volume this is.
//!
//! Invariant: a copy counts only with a checksum that fits and at the place that it names; of those the newest is used.

use crate::port::{Fault, FaultKind};
use crate::value::Name;
use crate::volume::bytes::{Part, array, is, le16, le32, le64, u8_at, uuid_text};
use crate::volume::filesystem::{Findings, Weight};
use crate::volume::sums::Sum;

/// Where copies of it stand, in bytes from the start of the volume.
const COPIES: [u64; 3] = [64 << 10, 64 << 20, 256 << 30];
/// Bytes of one.
const BYTES: usize = 4096;
/// What it begins with, behind its checksum and place.
const MAGIC: &[u8] = b"_BHRfS_M";

/// Properties without which a volume is read wrongly (`incompat_flags`).
mod incompat {
    /// Blocks of tables bear another identity than the volume.
    pub const METADATA_UUID: u64 = 1 << 10;
    /// Holes of files are not written down.
    pub const NO_HOLES: u64 = 1 << 9;
    /// All that this reader knows: mixed back references, default subvolume, mixed groups, LZO, Zstandard, large tables,
    /// extended references, RAID5/6, skinny tables, no holes, identity of tables, three and four copies, simple quotas.
    pub const KNOWN: u64 = 0x1
        | 0x2
        | 0x4
        | 0x8
        | 0x10
        | 0x20
        | 0x40
        | 0x80
        | 0x100
        | 0x200
        | 0x400
        | 0x800
        | 0x1_0000;
}

/// Where a tree begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pointer {
    /// Logical byte of its block.
    pub at: u64,
    /// The change that wrote it.
    pub generation: u64,
    /// Levels below it.
    pub level: u8,
}

/// What a superblock says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Superblock {
    /// How blocks and contents are summed.
    pub sum: Sum,
    /// The volume's identity.
    pub id: [u8; 16],
    /// The identity that blocks of tables bear.
    pub tables_id: [u8; 16],
    /// Counts changes.
    pub generation: u64,
    /// The tree of trees.
    pub root: Pointer,
    /// The tree of chunks.
    pub chunks: Pointer,
    /// The tree of what was written since the last change; 0 = none.
    pub log: Pointer,
    /// Bytes of the volume on this device.
    pub bytes: u64,
    /// Devices of the volume.
    pub devices: u64,
    /// This device's number.
    pub device: u64,
    /// Bytes of a sector: the smallest unit of content, and what a checksum stands for.
    pub sector_bytes: u32,
    /// Bytes of a block of a table.
    pub block_bytes: u32,
    /// Its label.
    pub label: Vec<u8>,
    /// Chunks that hold the tree of chunks: keys and items, one behind the other.
    pub first_chunks: Vec<u8>,
    flags: u64,
}

impl Superblock {
    /// Finds the newest sound copy. The error is for people.
    pub fn locate(part: &Part<'_>, findings: &mut Findings) -> Result<Result<Self, String>, Fault> {
        let mut best: Option<(u64, Self)> = None;
        let mut why = None;
        for at in COPIES {
            if at.saturating_add(BYTES as u64) > part.bytes() {
                continue;
            }
            let read = match part.read_vec(at, BYTES) {
                Ok(raw) => Self::parse(&raw, at),
                Err(fault) if fault.kind == FaultKind::Refused => {
                    Err(format!("the superblock at byte {at} cannot be read"))
                }
                Err(fault) => return Err(fault),
            };
            match read {
                Ok(sb)
                    if best
                        .as_ref()
                        .is_none_or(|(_, have)| have.generation < sb.generation) =>
                {
                    best = Some((at, sb))
                }
                Ok(_) => {}
                Err(says) => {
                    why.get_or_insert(says);
                }
            }
        }
        let Some((at, sb)) = best else {
            return Ok(Err(
                why.unwrap_or_else(|| "it is too short for a superblock".into())
            ));
        };
        if at != 64 << 10 {
            findings.note("superblock-from-copy", Weight::Sentence, None, || {
                format!("the first superblock is damaged or older; its copy at byte {at} was used")
            });
        }
        Ok(sb.usable().map(|()| sb))
    }

    /// Reads one copy, which has to stand at `at`.
    fn parse(raw: &[u8], at: u64) -> Result<Self, String> {
        let no = |why: &str| Err(format!("the superblock at byte {at}: {why}"));
        if raw.len() != BYTES || !is(raw, 64, MAGIC) {
            return no("there is none");
        }
        let Some(sum) = Sum::from_code(le16(raw, 0xC4)) else {
            return no("its kind of checksum is not known");
        };
        let (said, rest) = raw.split_at_checked(32).unwrap_or_default();
        if !sum.matches(rest, said.get(..sum.bytes()).unwrap_or_default()) {
            return no("its checksum does not fit");
        }
        if le64(raw, 0x30) != at {
            return no("it is another one's copy");
        }
        let (sector_bytes, block_bytes) = (le32(raw, 0x90), le32(raw, 0x94));
        let sizes = sector_bytes.is_power_of_two()
            && block_bytes.is_power_of_two()
            && (4096..=65_536).contains(&sector_bytes)
            && (sector_bytes..=65_536).contains(&block_bytes);
        if !sizes {
            return no("its sizes contradict one another");
        }
        let flags = le64(raw, 0xBC);
        let id = array(raw, 0x20).unwrap_or_default();
        let other = array(raw, 0x23B).unwrap_or_default();
        let pointer = |at: usize, generation: u64, level: usize| Pointer {
            at: le64(raw, at),
            generation,
            level: u8_at(raw, level),
        };
        let generation = le64(raw, 0x48);
        let label = raw.get(0x12B..0x22B).unwrap_or_default();
        let listed = usize::try_from(le32(raw, 0xA0))
            .unwrap_or(usize::MAX)
            .min(2048);
        Ok(Self {
            sum,
            id,
            tables_id: if flags & incompat::METADATA_UUID == 0 {
                id
            } else {
                other
            },
            generation,
            root: pointer(0x50, generation, 0xC6),
            chunks: pointer(0x58, le64(raw, 0xA4), 0xC7),
            // A log belongs to the change that comes next.
            log: pointer(0x60, generation.wrapping_add(1), 0xC8),
            bytes: le64(raw, 0xC9 + 8),
            devices: le64(raw, 0x88),
            device: le64(raw, 0xC9),
            sector_bytes,
            block_bytes,
            label: label
                .split(|byte| *byte == 0)
                .next()
                .unwrap_or_default()
                .to_vec(),
            first_chunks: raw.get(0x32B..0x32B + listed).unwrap_or_default().to_vec(),
            flags,
        })
    }

    /// Whether it is a kind of volume that this reader knows.
    fn usable(&self) -> Result<(), String> {
        let unknown = self.flags & !incompat::KNOWN;
        if unknown != 0 {
            return Err(format!(
                "it has properties that are not known here (incompat {unknown:#x})"
            ));
        }
        if self.devices != 1 {
            return Err(format!("it is spread over {} devices", self.devices));
        }
        Ok(())
    }

    /// Whether holes are not written down.
    pub fn no_holes(&self) -> bool {
        self.flags & incompat::NO_HOLES != 0
    }

    /// The label as a name; `None` = it has none.
    pub fn label(&self) -> Option<Name> {
        (!self.label.is_empty()).then(|| Name::Bytes(self.label.clone()))
    }

    /// The volume's identity, as people write it.
    pub fn serial(&self) -> String {
        uuid_text(self.id)
    }
}

#[cfg(test)]
impl Superblock {
    /// One with device 1 and sectors of 4 KiB.
    pub fn made_up(root: Pointer, sum: Sum) -> Self {
        Self {
            sum,
            id: [1; 16],
            tables_id: [1; 16],
            generation: 1,
            root,
            chunks: root,
            log: root,
            bytes: 64 << 20,
            devices: 1,
            device: 1,
            sector_bytes: 4096,
            block_bytes: 4096,
            label: Vec::new(),
            first_chunks: Vec::new(),
            flags: 0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::volume::bytes::Image;

    /// A superblock with the fields where the published description of the format has them.
    fn made(at: u64, generation: u64) -> Vec<u8> {
        let mut raw = vec![0u8; BYTES];
        let mut put = |at: usize, bytes: &[u8]| raw[at..at + bytes.len()].copy_from_slice(bytes);
        put(0x20, &[0xAB; 16]);
        put(0x30, &at.to_le_bytes());
        put(0x40, MAGIC);
        put(0x48, &generation.to_le_bytes());
        put(0x50, &(30u64 << 20).to_le_bytes());
        put(0x58, &(22u64 << 20).to_le_bytes());
        put(0x88, &1u64.to_le_bytes());
        put(0x90, &4096u32.to_le_bytes());
        put(0x94, &16_384u32.to_le_bytes());
        put(0xA4, &7u64.to_le_bytes());
        put(0xBC, &0x361u64.to_le_bytes());
        put(0xC6, &[1, 0, 0]);
        put(0xC9, &3u64.to_le_bytes());
        put(0xD1, &(128u64 << 20).to_le_bytes());
        put(0x12B, b"holiday");
        sealed(raw)
    }

    fn sealed(mut raw: Vec<u8>) -> Vec<u8> {
        let sum = Sum::Crc32c.of(&raw[32..]);
        raw[..4].copy_from_slice(&sum);
        raw
    }

    fn located(copies: &[(u64, Vec<u8>)]) -> (Result<Superblock, String>, Findings) {
        let mut bytes = vec![0u8; 65 << 20];
        for (at, raw) in copies {
            bytes[*at as usize..][..raw.len()].copy_from_slice(raw);
        }
        let image = Image::new(bytes);
        let mut findings = Findings::new();
        let part = Part::new(&image, image.place());
        let found = Superblock::locate(&part, &mut findings).unwrap();
        (found, findings)
    }

    #[test]
    fn fields_stand_where_the_description_has_them() {
        let (sb, findings) = located(&[(64 << 10, made(64 << 10, 9))]);
        let sb = sb.unwrap();
        let pointer = |at: u64, generation, level| Pointer {
            at,
            generation,
            level,
        };
        assert_eq!(sb.root, pointer(30 << 20, 9, 1));
        assert_eq!(sb.chunks, pointer(22 << 20, 7, 0));
        assert_eq!((sb.log.at, sb.device, sb.bytes), (0, 3, 128 << 20));
        assert_eq!(
            (sb.sector_bytes, sb.block_bytes, sb.no_holes()),
            (4096, 16_384, true)
        );
        assert_eq!(sb.label(), Some(Name::Bytes(b"holiday".to_vec())));
        assert_eq!(sb.tables_id, [0xAB; 16]);
        assert_eq!(findings.list(), []);
    }

    #[test]
    fn the_newest_sound_copy_counts() {
        let (first, second) = (64u64 << 10, 64u64 << 20);
        let mut torn = made(first, 9);
        torn[0x50] ^= 1;
        let (sb, findings) = located(&[(first, torn.clone()), (second, made(second, 8))]);
        assert_eq!(sb.unwrap().generation, 8);
        assert!(findings.of("superblock-from-copy").is_some());
        let (sb, findings) = located(&[(first, made(first, 9)), (second, made(second, 9))]);
        assert_eq!((sb.unwrap().generation, findings.list().len()), (9, 0));
        // One that belongs elsewhere is none.
        let (sb, _) = located(&[(first, torn), (second, made(first, 8))]);
        assert!(sb.unwrap_err().contains("its checksum does not fit"));
        assert!(located(&[]).0.unwrap_err().contains("there is none"));
    }

    #[test]
    fn what_is_not_known_is_not_read() {
        let changed = |at: usize, bytes: &[u8]| {
            let mut raw = made(64 << 10, 9);
            raw[at..at + bytes.len()].copy_from_slice(bytes);
            located(&[(64 << 10, sealed(raw))]).0.unwrap_err()
        };
        for (at, bytes, why) in [
            (0xBC, &(1u64 << 13).to_le_bytes()[..], "incompat 0x2000"),
            (0x88, &2u64.to_le_bytes(), "spread over 2 devices"),
            (0xC4, &[9, 0], "kind of checksum"),
            (0x90, &3000u32.to_le_bytes(), "sizes contradict"),
            (0x94, &2048u32.to_le_bytes(), "sizes contradict"),
            (0x94, &(1u32 << 20).to_le_bytes(), "sizes contradict"),
        ] {
            let told = changed(at, bytes);
            assert!(told.contains(why), "{at}: {told}");
        }
    }
}
