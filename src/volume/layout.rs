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
