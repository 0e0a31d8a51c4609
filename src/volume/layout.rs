//! A layout: which extents, holes and inline bytes make up an item's content, and how
//! they are coded. One reader (`read::content`) turns a layout plus sectors into bytes and
//! gaps, so decompression, damage mapping and resuming exist once.

/// One run of an item's stored content, in order. Lengths are in bytes of the *stored*
/// form (equal to the logical form unless `coding` says otherwise).
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Piece {
    /// Bytes on the drive, from absolute byte `at` of the drive.
    Extent {
        /// First byte, counted from the start of the drive.
        at: u64,
        /// Length in bytes.
        bytes: u64,
    },
    /// No bytes on the drive: reads as zeros (or, in a coded unit, "this part is not stored").
    Hole {
        /// Length in bytes.
        bytes: u64,
    },
    /// Bytes held in the file table itself.
    Inline(Vec<u8>),
    /// The file table does not say where these bytes are (missing or contradictory piece): damaged, never zeros.
    Lost {
        /// Length in bytes.
        bytes: u64,
    },
}

impl Piece {
    /// Length in bytes of the stored form.
    pub fn bytes(&self) -> u64 {
        match self {
            Piece::Extent { bytes, .. } | Piece::Hole { bytes } | Piece::Lost { bytes } => *bytes,
            Piece::Inline(data) => data.len() as u64,
        }
    }
}

/// How the stored form maps to the logical bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coding {
    /// Stored bytes are the content.
    Plain,
    /// NTFS compression: units of `unit_bytes` (16 clusters), each plain, hole or LZNT1.
    Lznt1 {
        /// Bytes of one compression unit.
        unit_bytes: u32,
    },
    /// System compression (WOF file provider), XPRESS Huffman, chunk size 4096, 8192 or 16384 bytes.
    Xpress {
        /// Bytes of one chunk.
        chunk_bytes: u32,
    },
    /// System compression with LZX, chunk size 32768 bytes.
    Lzx,
}

/// Where and how one item's content is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layout {
    /// The pieces, in order.
    pub pieces: Vec<Piece>,
    /// How stored bytes become logical bytes.
    pub coding: Coding,
    /// Logical length in bytes.
    pub length: u64,
    /// Logical bytes that were ever written; the rest reads as zeros whatever is on the drive.
    pub valid: u64,
}

impl Layout {
    /// An empty item.
    pub fn empty() -> Self {
        Self {
            pieces: Vec::new(),
            coding: Coding::Plain,
            length: 0,
            valid: 0,
        }
    }
}

impl Layout {
    /// A compact form for the ledger: tags and little-endian numbers, version 1 in front.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut out = vec![1u8];
        let (tag, number) = match self.coding {
            Coding::Plain => (0u8, 0u32),
            Coding::Lznt1 { unit_bytes } => (1, unit_bytes),
            Coding::Xpress { chunk_bytes } => (2, chunk_bytes),
            Coding::Lzx => (3, 0),
        };
        out.push(tag);
        out.extend_from_slice(&number.to_le_bytes());
        out.extend_from_slice(&self.length.to_le_bytes());
        out.extend_from_slice(&self.valid.to_le_bytes());
        for piece in &self.pieces {
            match piece {
                Piece::Extent { at, bytes } => {
                    out.push(0);
                    out.extend_from_slice(&at.to_le_bytes());
                    out.extend_from_slice(&bytes.to_le_bytes());
                }
                Piece::Hole { bytes } => {
                    out.push(1);
                    out.extend_from_slice(&bytes.to_le_bytes());
                }
                Piece::Inline(data) => {
                    out.push(2);
                    out.extend_from_slice(&(data.len() as u64).to_le_bytes());
                    out.extend_from_slice(data);
                }
                Piece::Lost { bytes } => {
                    out.push(3);
                    out.extend_from_slice(&bytes.to_le_bytes());
                }
            }
        }
        out
    }

    /// Reads [`Layout::to_bytes`] back; `None` for anything else.
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let mut rest = bytes.strip_prefix(&[1u8])?;
        let mut take = |count: usize| -> Option<&[u8]> {
            let (head, tail) = rest.split_at_checked(count)?;
            rest = tail;
            Some(head)
        };
        let tag = *take(1)?.first()?;
        let number = u32::from_le_bytes(take(4)?.try_into().ok()?);
        let length = u64::from_le_bytes(take(8)?.try_into().ok()?);
        let valid = u64::from_le_bytes(take(8)?.try_into().ok()?);
        let coding = match tag {
            0 => Coding::Plain,
            1 => Coding::Lznt1 { unit_bytes: number },
            2 => Coding::Xpress {
                chunk_bytes: number,
            },
            3 => Coding::Lzx,
            _ => return None,
        };
        let mut pieces = Vec::new();
        while let Some(kind) = take(1).and_then(|kind| kind.first().copied()) {
            let first = u64::from_le_bytes(take(8)?.try_into().ok()?);
            pieces.push(match kind {
                0 => Piece::Extent {
                    at: first,
                    bytes: u64::from_le_bytes(take(8)?.try_into().ok()?),
                },
                1 => Piece::Hole { bytes: first },
                2 => Piece::Inline(take(usize::try_from(first).ok()?)?.to_vec()),
                3 => Piece::Lost { bytes: first },
                _ => return None,
            });
        }
        Some(Self {
            pieces,
            coding,
            length,
            valid,
        })
    }

    /// Bytes of it that lie on the drive.
    pub fn stored_bytes(&self) -> u64 {
        self.pieces
            .iter()
            .filter(|piece| matches!(piece, Piece::Extent { .. } | Piece::Inline(_)))
            .fold(0u64, |sum, piece| sum.saturating_add(piece.bytes()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn piece() -> impl Strategy<Value = Piece> {
        prop_oneof![
            (any::<u64>(), any::<u64>()).prop_map(|(at, bytes)| Piece::Extent { at, bytes }),
            any::<u64>().prop_map(|bytes| Piece::Hole { bytes }),
            proptest::collection::vec(any::<u8>(), 0..40).prop_map(Piece::Inline),
            any::<u64>().prop_map(|bytes| Piece::Lost { bytes }),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn the_ledger_gives_back_the_same_layout(pieces in proptest::collection::vec(piece(), 0..6), unit in any::<u32>(), length in any::<u64>(), valid in any::<u64>(), kind in 0..4) {
            let coding = match kind {
                0 => Coding::Plain,
                1 => Coding::Lznt1 { unit_bytes: unit },
                2 => Coding::Xpress { chunk_bytes: unit },
                _ => Coding::Lzx,
            };
            let layout = Layout { pieces, coding, length, valid };
            prop_assert_eq!(Layout::from_bytes(&layout.to_bytes()), Some(layout));
        }

        #[test]
        fn other_bytes_are_no_layout_and_no_panic(bytes in proptest::collection::vec(any::<u8>(), 0..80)) {
            let _ = Layout::from_bytes(&bytes);
        }
    }
}
