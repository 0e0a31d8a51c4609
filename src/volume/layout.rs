//! A layout: which extents, holes and inline bytes make up an item's content, and how
//! they are coded. One reader (`read::content`) turns a layout plus sectors into bytes and
//! gaps, so decompression, damage mapping and resuming exist once.

use super::sealed::Sealed;

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
    /// A part of an extent that is packed by itself, or that has checksums. It counts with its logical bytes.
    Sealed(Box<Sealed>),
}

impl Piece {
    /// Length in bytes of the stored form.
    pub fn bytes(&self) -> u64 {
        match self {
            Piece::Extent { bytes, .. } | Piece::Hole { bytes } | Piece::Lost { bytes } => *bytes,
            Piece::Inline(data) => data.len() as u64,
            Piece::Sealed(sealed) => sealed.bytes,
        }
    }

    /// Leaves out what lies behind its first `most` bytes.
    pub fn truncate(&mut self, most: u64) {
        match self {
            Piece::Extent { bytes, .. } | Piece::Hole { bytes } | Piece::Lost { bytes } => {
                *bytes = (*bytes).min(most);
            }
            Piece::Inline(data) => data.truncate(usize::try_from(most).unwrap_or(usize::MAX)),
            Piece::Sealed(sealed) => sealed.bytes = sealed.bytes.min(most),
        }
    }

    /// The bytes of the drive (place and length) that the stored bytes from `from` on are read from.
    pub fn on_drive(&self, from: u64, bytes: u64) -> Vec<(u64, u64)> {
        match self {
            Piece::Extent { at, .. } => vec![(at.saturating_add(from), bytes)],
            Piece::Sealed(sealed) => sealed.on_drive(from, bytes),
            Piece::Hole { .. } | Piece::Inline(_) | Piece::Lost { .. } => Vec::new(),
        }
    }
}

/// Adds a piece behind the others, joined to the last one where the two are one; an empty one is none.
pub fn append(pieces: &mut Vec<Piece>, piece: Piece) {
    let more = piece.bytes();
    if more == 0 {
        return;
    }
    match (pieces.last_mut(), &piece) {
        (Some(Piece::Hole { bytes }), Piece::Hole { .. })
        | (Some(Piece::Lost { bytes }), Piece::Lost { .. }) => *bytes = bytes.saturating_add(more),
        (Some(Piece::Extent { at, bytes }), Piece::Extent { at: next, .. })
            if at.checked_add(*bytes) == Some(*next) =>
        {
            *bytes = bytes.saturating_add(more);
        }
        _ => pieces.push(piece),
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
    /// Loses the parts of extents that `shared` names: it is called with each extent's place on the drive and
    /// gives ascending (first, end) pairs inside it. Whether anything was lost.
    pub fn lose(&mut self, mut shared: impl FnMut(u64, u64) -> Vec<(u64, u64)>) -> bool {
        let mut lost = false;
        let mut pieces = Vec::with_capacity(self.pieces.len());
        for piece in self.pieces.drain(..) {
            let (at, bytes) = match piece {
                Piece::Extent { at, bytes } => (at, bytes),
                Piece::Sealed(sealed) if !shared(sealed.at, sealed.stored_bytes).is_empty() => {
                    lost = true;
                    let bytes = sealed.bytes;
                    pieces.push(Piece::Lost { bytes });
                    continue;
                }
                piece => {
                    pieces.push(piece);
                    continue;
                }
            };
            let (mut here, end) = (at, at.saturating_add(bytes));
            for (from, to) in shared(at, bytes) {
                let (from, to) = (from.clamp(here, end), to.clamp(here, end));
                if from >= to {
                    continue;
                }
                lost = true;
                if from > here {
                    let bytes = from - here;
                    pieces.push(Piece::Extent { at: here, bytes });
                }
                pieces.push(Piece::Lost { bytes: to - from });
                here = to;
            }
            if here < end {
                let bytes = end - here;
                pieces.push(Piece::Extent { at: here, bytes });
            }
        }
        self.pieces = pieces;
        lost
    }

    /// The bytes of the drive (place and length) that the content is read from; with `only`, those that these logical
    /// ranges (ascending) are read from. Where that cannot be told apart, it is all of them.
    pub fn on_drive(&self, only: Option<&[(u64, u64)]>) -> Vec<(u64, u64)> {
        let unit = match self.coding {
            Coding::Plain => Some(1),
            Coding::Lznt1 { unit_bytes } => Some(u64::from(unit_bytes.max(1))),
            // Where a chunk lies stands in a table of its own.
            Coding::Xpress { .. } | Coding::Lzx => None,
        };
        let wanted: Vec<(u64, u64)> = match only.zip(unit) {
            Some((ranges, unit)) => ranges
                .iter()
                .map(|(first, bytes)| {
                    let end = first.saturating_add(*bytes).div_ceil(unit);
                    (first / unit * unit, end.saturating_mul(unit))
                })
                .collect(),
            None => vec![(0, u64::MAX)],
        };
        // Behind the written length nothing is read; of a coded item everything may be.
        let written = match self.coding {
            Coding::Plain => self.valid.min(self.length),
            _ => u64::MAX,
        };
        let (mut start, mut out) = (0u64, Vec::new());
        for piece in &self.pieces {
            let end = start.saturating_add(piece.bytes()).min(written);
            if matches!(piece, Piece::Extent { .. } | Piece::Sealed(_)) {
                let first = wanted.partition_point(|(_, to)| *to <= start);
                for (from, to) in wanted.iter().skip(first) {
                    let (from, to) = ((*from).max(start), (*to).min(end));
                    if from >= to {
                        break;
                    }
                    out.extend(piece.on_drive(from - start, to - from));
                }
            }
            start = start.saturating_add(piece.bytes());
        }
        out
    }

    /// Stored bytes up to the end of the last piece that is anywhere (on the drive, inline, or a hole).
    pub fn described(&self) -> u64 {
        let (mut at, mut end) = (0u64, 0u64);
        for piece in &self.pieces {
            at = at.saturating_add(piece.bytes());
            if !matches!(piece, Piece::Lost { .. }) {
                end = at;
            }
        }
        end
    }

    /// The first `bytes` stored bytes of the pieces.
    fn front(&mut self, bytes: u64) -> Vec<Piece> {
        let (mut at, mut keep) = (0u64, Vec::new());
        for mut piece in self.pieces.drain(..) {
            let room = bytes.saturating_sub(at);
            if room == 0 {
                break;
            }
            piece.truncate(room);
            at = at.saturating_add(piece.bytes());
            keep.push(piece);
        }
        keep
    }

    /// Leaves out what lies behind the first `bytes` stored bytes.
    pub fn cut(&mut self, bytes: u64) {
        self.pieces = self.front(bytes);
    }

    /// Bytes behind everything that is described are lost, even where they lie behind the written length: only what
    /// has a place can be known to read as zeros.
    pub fn lose_tail(&mut self) {
        if self.valid >= self.length {
            return;
        }
        let described = self.described();
        let all = self
            .pieces
            .iter()
            .fold(0u64, |sum, piece| sum.saturating_add(piece.bytes()));
        let unit = match self.coding {
            Coding::Plain => 1,
            Coding::Lznt1 { unit_bytes } => u64::from(unit_bytes.max(1)),
            Coding::Xpress { .. } | Coding::Lzx => return,
        };
        if described >= self.length {
            return;
        }
        let written = self.valid.div_ceil(unit).saturating_mul(unit);
        if written < described {
            self.pieces = self.front(written);
            let bytes = described - written;
            self.pieces.push(Piece::Hole { bytes });
            if all > described {
                let bytes = all - described;
                self.pieces.push(Piece::Lost { bytes });
            }
        }
        self.valid = self.length;
    }

    /// Cuts a length that its volume of `volume_bytes` cannot hold and nothing describes down to what is described and
    /// one lost stretch of `grain` bytes behind it: an absurd number must not be read for ever, nor end as whole.
    /// Returns the length that was said.
    pub fn cut_absurd(&mut self, volume_bytes: u64, grain: u64) -> Option<u64> {
        let said = self.length;
        if said <= volume_bytes {
            return None;
        }
        let described = self.described();
        let most = described.saturating_add(grain.max(1));
        if said <= most {
            return None;
        }
        self.lose_tail();
        self.pieces = self.front(described);
        let bytes = most - described;
        self.pieces.push(Piece::Lost { bytes });
        self.length = most;
        self.valid = self.valid.min(most);
        Some(said)
    }

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
                Piece::Sealed(sealed) => {
                    out.push(4);
                    sealed.to_bytes(&mut out);
                }
            }
        }
        out
    }

    /// Reads [`Layout::to_bytes`] back; `None` for anything else.
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let mut rest = Reader::new(bytes.strip_prefix(&[1u8])?);
        let tag = rest.byte()?;
        let number = u32::from_le_bytes(rest.array()?);
        let length = rest.number()?;
        let valid = rest.number()?;
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
        while let Some(kind) = rest.byte() {
            pieces.push(match kind {
                0 => Piece::Extent {
                    at: rest.number()?,
                    bytes: rest.number()?,
                },
                1 => Piece::Hole {
                    bytes: rest.number()?,
                },
                2 => {
                    let bytes = usize::try_from(rest.number()?).ok()?;
                    Piece::Inline(rest.take(bytes)?.to_vec())
                }
                3 => Piece::Lost {
                    bytes: rest.number()?,
                },
                4 => Piece::Sealed(Box::new(Sealed::from_bytes(&mut rest)?)),
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

    /// Bytes of it that lie on the drive, unpacked.
    pub fn stored_bytes(&self) -> u64 {
        let is_stored = |piece: &&Piece| !matches!(piece, Piece::Hole { .. } | Piece::Lost { .. });
        self.pieces
            .iter()
            .filter(is_stored)
            .fold(0u64, |sum, piece| sum.saturating_add(piece.bytes()))
    }
}

/// Bytes that are taken from the front.
pub struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    /// All of these.
    pub fn new(bytes: &'a [u8]) -> Self {
        Self(bytes)
    }

    /// So many of them; `None` = there are not.
    pub fn take(&mut self, count: usize) -> Option<&'a [u8]> {
        let (head, tail) = self.0.split_at_checked(count)?;
        self.0 = tail;
        Some(head)
    }

    /// One.
    pub fn byte(&mut self) -> Option<u8> {
        self.take(1)?.first().copied()
    }

    /// `N` of them.
    pub fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        self.take(N)?.try_into().ok()
    }

    /// A little-endian number.
    pub fn number(&mut self) -> Option<u64> {
        self.array().map(u64::from_le_bytes)
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

    #[test]
    fn shared_and_absurd_stretches_are_lost() {
        // Linux `fs/ntfs/layout.h`: no cluster has two owners, and the runs hold as many clusters as the attribute says.
        let extent = |at, bytes| Piece::Extent { at, bytes };
        let lost = |bytes| Piece::Lost { bytes };
        let mut layout = Layout {
            pieces: vec![extent(4096, 8192), Piece::Hole { bytes: 5 }],
            coding: Coding::Plain,
            length: 8197,
            valid: 8197,
        };
        assert!(!layout.clone().lose(|_, _| Vec::new()));
        assert!(layout.lose(|_, _| vec![(0, 5000), (8192, 9000)]));
        assert_eq!(
            layout.pieces,
            [
                lost(904),
                extent(5000, 3192),
                lost(808),
                extent(9000, 3288),
                Piece::Hole { bytes: 5 }
            ]
        );
        let mut huge = Layout {
            pieces: vec![extent(4096, 12_288), lost((8 << 40) - 12_288)],
            coding: Coding::Plain,
            length: 8 << 40,
            valid: 9000,
        };
        assert_eq!(huge.cut_absurd(32 << 20, 4096), Some(8 << 40));
        let (written, zeros) = (extent(4096, 9000), Piece::Hole { bytes: 3288 });
        assert_eq!(huge.pieces, [written, zeros, lost(4096)]);
        assert_eq!((huge.length, huge.valid), (16_384, 16_384));
        assert_eq!(huge.cut_absurd(1, 4096), None);
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
