//! Where the bytes of a file are: its stretches as pieces of the drive.
//!
//! Invariant: a byte whose place is not told, not on this device, or told twice is lost, never zeros; a sector that should have a
//! checksum and has none is a doubt about the file.

use super::gather::{Gathered, Stretch};
use super::item::{Extent, Form, Inode};
use super::owners::{Booked, Owners};
use super::sums::Sums;
use super::tree::Trees;
use crate::survey::item::{Mark, Marks};
use crate::volume::bytes::Part;
use crate::volume::layout::{Coding, Layout, Piece, append};
use crate::volume::sealed::{Packing, Seal, Sealed};

/// What contents are looked up in.
pub struct Books<'a> {
    /// Chunks and sizes.
    pub trees: &'a Trees<'a>,
    /// Where contents are read.
    pub drive: Part<'a>,
    /// Their checksums.
    pub sums: Sums,
    /// Whose they are.
    pub owners: Owners,
}

/// A file's content.
pub struct Content {
    /// Where it is.
    pub layout: Layout,
    /// How it is stored.
    pub marks: Marks,
    /// What is wrong.
    pub trouble: Option<String>,
}

/// Puts the pieces of one file together.
struct Laying<'b, 'a> {
    books: &'b mut Books<'a>,
    inode: Inode,
    pieces: Vec<Piece>,
    marks: Marks,
    trouble: Option<String>,
    /// How far pieces reach.
    end: u64,
    /// Bytes stored, as the inode counts them.
    stored: u64,
}

impl Books<'_> {
    /// The content of a file.
    pub fn content(&mut self, gathered: &Gathered, inode: Inode) -> Content {
        let room = self.drive.bytes();
        let sector = u64::from(self.trees.sb.sector_bytes);
        let no_holes = self.trees.sb.no_holes();
        let mut laying = Laying {
            books: self,
            inode,
            pieces: Vec::new(),
            marks: Marks::default(),
            trouble: gathered.trouble.clone(),
            end: 0,
            stored: 0,
        };
        let mut untold = false;
        for stretch in &gathered.stretches {
            match stretch {
                Stretch::Untold { first } => {
                    laying.hole(*first, no_holes && !untold);
                    untold = true;
                }
                Stretch::Told(extent) => {
                    if extent.first < laying.end {
                        laying.wrong("two of its stretches stand for the same bytes");
                        continue;
                    }
                    laying.hole(extent.first, no_holes && !untold);
                    untold = false;
                    laying.extent(extent);
                }
            }
        }
        laying.hole(inode.bytes, no_holes && !untold);
        if gathered.trouble.is_none() && laying.stored < inode.stored {
            let (said, found) = (inode.stored, laying.stored);
            laying.wrong_with(format!(
                "its inode counts {said} stored bytes, places were found for {found}"
            ));
        }
        let mut layout = Layout {
            pieces: laying.pieces,
            coding: Coding::Plain,
            length: inode.bytes,
            valid: inode.bytes,
        };
        let (mut marks, mut trouble) = (laying.marks, laying.trouble);
        layout.cut(inode.bytes);
        if let Some(said) = layout.cut_absurd(room, sector) {
            trouble = Some(format!(
                "it says that it is {said} bytes long, but only {} of them have a place on this volume",
                layout.described()
            ));
        }
        if layout
            .pieces
            .iter()
            .any(|piece| matches!(piece, Piece::Hole { .. }))
        {
            marks.set(Mark::Sparse);
        }
        if trouble.is_some() {
            marks.set(Mark::Damaged);
        }
        Content {
            layout,
            marks,
            trouble,
        }
    }

    /// Books what an extent item has, whoever has it.
    pub fn claim(&mut self, first: u64, raw: &[u8]) {
        if let Some(Extent {
            form: Form::Stored { at, bytes, .. },
            ..
        }) = Extent::read(first, raw)
        {
            self.owners.claim(at, bytes);
        }
    }

    /// The target of a link, which lies in the tree.
    pub fn target(gathered: &Gathered) -> Option<Vec<u8>> {
        match gathered.stretches.as_slice() {
            [
                Stretch::Told(Extent {
                    first: 0,
                    packing: 0,
                    form: Form::Inline(target),
                    ..
                }),
            ] => Some(target.clone()),
            _ => None,
        }
    }
}

impl Laying<'_, '_> {
    fn wrong(&mut self, says: &str) {
        self.wrong_with(says.to_owned());
    }

    fn wrong_with(&mut self, says: String) {
        self.trouble.get_or_insert(says);
    }

    fn push(&mut self, piece: Piece) {
        self.end = self.end.saturating_add(piece.bytes());
        append(&mut self.pieces, piece);
    }

    /// Nothing is told up to `to`: zeros, or lost.
    fn hole(&mut self, to: u64, known: bool) {
        let bytes = to.saturating_sub(self.end);
        // What lies behind inline bytes, up to the next sector, is zeros in any file.
        let inline = match self.pieces.last() {
            Some(Piece::Inline(_)) => {
                self.end
                    .next_multiple_of(self.books.trees.sb.sector_bytes.into())
                    - self.end
            }
            _ => 0,
        };
        let zeros = if known { bytes } else { bytes.min(inline) };
        self.push(Piece::Hole { bytes: zeros });
        if zeros < bytes {
            self.wrong("the places of some of its bytes are not told");
            self.push(Piece::Lost {
                bytes: bytes - zeros,
            });
        }
    }

    fn extent(&mut self, extent: &Extent) {
        let Some(packing) = Packing::from_code(extent.packing) else {
            return self.lose(extent, "it is packed in a way that is not known");
        };
        if packing != Packing::None {
            self.marks.set(Mark::Compressed);
        }
        match &extent.form {
            Form::Hole => self.push(Piece::Hole {
                bytes: extent.bytes,
            }),
            Form::Inline(raw) => self.inline(extent, packing, raw),
            Form::Stored {
                at,
                bytes,
                from,
                unwritten,
            } => self.stored(extent, packing, [*at, *bytes, *from], *unwritten),
        }
    }

    fn lose(&mut self, extent: &Extent, why: &str) {
        self.wrong(why);
        self.push(Piece::Lost {
            bytes: extent.bytes,
        });
    }

    fn inline(&mut self, extent: &Extent, packing: Packing, raw: &[u8]) {
        self.marks.set(Mark::Resident);
        self.stored = self.stored.saturating_add(extent.plain_bytes);
        let sector = self.books.trees.sb.sector_bytes as usize;
        let most = usize::try_from(extent.plain_bytes)
            .ok()
            .filter(|plain| *plain <= 128 << 10 && extent.first == 0);
        let plain = most.and_then(|plain| packing.unpack(raw.to_vec(), plain, sector, 0).ok());
        match plain {
            Some(plain) => self.push(Piece::Inline(plain)),
            None => self.lose(extent, "its bytes in the file table make no sense"),
        }
    }

    fn stored(
        &mut self,
        extent: &Extent,
        packing: Packing,
        [at, on_device, from]: [u64; 3],
        unwritten: bool,
    ) {
        let sector = u64::from(self.books.trees.sb.sector_bytes);
        let whole = [at, on_device, extent.bytes, extent.first]
            .iter()
            .all(|number| number.is_multiple_of(sector));
        let plain_bytes = match packing {
            Packing::None => on_device,
            _ => extent.plain_bytes,
        };
        self.stored = self.stored.saturating_add(extent.bytes);
        let fits = from
            .checked_add(extent.bytes)
            .is_some_and(|end| end <= plain_bytes);
        if !whole
            || on_device == 0
            || !fits
            || packing == Packing::None && !from.is_multiple_of(sector)
        {
            return self.lose(extent, "the place of some of its bytes is impossible");
        }
        match self.books.owners.claim(at, on_device) {
            Booked::Own => {}
            Booked::Unknown => {}
            Booked::Crossed => self.wrong("some of its bytes belong to another extent, too: they were copied, but whose they are is not known"),
            Booked::Free => self.wrong("some of its bytes lie where the volume's own book says that nothing is: they may be another file's by now"),
        }
        if unwritten {
            return self.push(Piece::Hole {
                bytes: extent.bytes,
            });
        }
        // Of what is not packed only the part is read.
        let (first, bytes, skip) = match packing {
            Packing::None => (at.saturating_add(from), extent.bytes, 0),
            _ => (at, on_device, from),
        };
        let Some(spot) = self.books.trees.chunks.spot(first, bytes) else {
            return self.lose(
                extent,
                "some of its bytes lie at an address that no chunk holds",
            );
        };
        if spot.doubtful {
            self.wrong("some of its bytes lie where two chunks do: whose they are is not known");
        }
        let mut seal = None;
        if !self.inode.unsummed {
            seal = self.books.sums.of(first, bytes).map(|places| Seal {
                sum: self.books.trees.sb.sum,
                places,
            });
            if seal.is_none() {
                self.wrong("some of its bytes should have checksums and have none: they were copied, but nothing proves them");
            }
        }
        let mut copies = spot
            .copies
            .iter()
            .map(|place| self.books.drive.absolute(*place));
        let Some(here) = copies.next() else {
            return self.lose(extent, "some of its bytes do not lie on this device");
        };
        let copy = copies.next();
        if packing == Packing::None && seal.is_none() && copy.is_none() {
            let bytes = extent.bytes;
            return self.push(Piece::Extent { at: here, bytes });
        }
        self.push(Piece::Sealed(Box::new(Sealed {
            at: here,
            copy,
            stored_bytes: bytes,
            sector_bytes: self.books.trees.sb.sector_bytes,
            packing,
            plain_bytes: if packing == Packing::None {
                bytes
            } else {
                plain_bytes
            },
            from: skip,
            bytes: extent.bytes,
            seal,
        })));
    }
}
