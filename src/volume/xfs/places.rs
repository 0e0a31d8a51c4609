//! From the stretches that the driver tells of a file to a layout of the drive.
//!
//! Invariant: every byte of the layout lies on the volume, is a hole that the file system means, or is lost and said so.

use crate::port::{ToldExtent, ToldForm};
use crate::volume::filesystem::Place;
use crate::volume::layout::{Coding, Layout, Piece, append};

/// Puts a layout together, stretch by stretch.
#[derive(Debug)]
pub struct Places {
    place: Place,
    length: u64,
    pieces: Vec<Piece>,
    /// Bytes described so far.
    at: u64,
    /// Stretches of plain content: first byte on the volume, length, shared.
    pub taken: Vec<(u64, u64, bool)>,
    /// What is wrong with it.
    pub trouble: Option<&'static str>,
}

impl Places {
    /// A file of `length` bytes on the volume at `place`.
    pub fn new(place: Place, length: u64) -> Self {
        Self {
            place,
            length,
            pieces: Vec::new(),
            at: 0,
            taken: Vec::new(),
            trouble: None,
        }
    }

    fn push(&mut self, piece: Piece) {
        self.at = self.at.saturating_add(piece.bytes());
        append(&mut self.pieces, piece);
    }

    fn lose(&mut self, bytes: u64, why: &'static str) {
        self.trouble.get_or_insert(why);
        self.push(Piece::Lost { bytes });
    }

    /// The next stretch.
    pub fn take(&mut self, told: ToldExtent) {
        // What is set aside behind the end is no content.
        if told.from >= self.length || told.bytes == 0 {
            return;
        }
        let skip = self.at.saturating_sub(told.from).min(told.bytes);
        if skip > 0 {
            self.trouble
                .get_or_insert("the file system tells two places for a part of it");
        }
        let hole = told.from.saturating_sub(self.at);
        self.push(Piece::Hole { bytes: hole });
        // Whole blocks are kept, so that they are read as such; the length says where the content ends.
        let bytes = told.bytes - skip;
        let at = told.at.saturating_add(skip);
        let left = bytes.min(self.length.saturating_sub(self.at));
        match told.form {
            ToldForm::Unwritten => self.push(Piece::Hole { bytes: left }),
            ToldForm::Untold => self.lose(
                left,
                "the file system does not tell where a part of it lies, or in what form",
            ),
            ToldForm::Plain => {
                let inside = at
                    .checked_add(bytes)
                    .is_some_and(|end| end <= self.place.bytes);
                if inside {
                    self.taken.push((at, bytes, told.shared));
                    let at = self.place.first_byte.saturating_add(at);
                    self.push(Piece::Extent { at, bytes });
                } else {
                    self.lose(left, "a part of it is said to lie outside the volume");
                }
            }
        }
    }

    /// The layout; what no stretch describes reads as zeros.
    pub fn layout(mut self) -> Layout {
        let rest = self.length.saturating_sub(self.at);
        self.push(Piece::Hole { bytes: rest });
        Layout {
            pieces: self.pieces,
            coding: Coding::Plain,
            length: self.length,
            valid: self.length,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLACE: Place = Place {
        first_byte: 1 << 20,
        bytes: 1 << 20,
    };

    fn told(from: u64, at: u64, bytes: u64, form: ToldForm) -> ToldExtent {
        let shared = false;
        ToldExtent {
            from,
            at,
            bytes,
            form,
            shared,
        }
    }

    fn laid(length: u64, all: &[ToldExtent]) -> (Vec<Piece>, Option<&'static str>) {
        let mut places = Places::new(PLACE, length);
        all.iter().for_each(|told| places.take(*told));
        let trouble = places.trouble;
        let layout = places.layout();
        assert_eq!((layout.length, layout.valid), (length, length));
        let sum: u64 = layout.pieces.iter().map(Piece::bytes).sum();
        assert!(sum >= length);
        (layout.pieces, trouble)
    }

    fn extent(at: u64, bytes: u64) -> Piece {
        let at = PLACE.first_byte + at;
        Piece::Extent { at, bytes }
    }

    /// Kernel documentation, "Fiemap Ioctl": gaps between extents are holes, unwritten extents read as zeros.
    #[test]
    fn holes_and_what_was_never_written_read_as_zeros() {
        use ToldForm::{Plain, Unwritten};
        let (pieces, trouble) = laid(
            30_000,
            &[
                told(4096, 8192, 4096, Plain),
                told(8192, 12_288, 4096, Plain),
                told(12_288, 40_960, 4096, Unwritten),
                told(20_480, 65_536, 4096, Plain),
                // Set aside behind the end.
                told(32_768, 81_920, 65_536, Plain),
            ],
        );
        assert_eq!(trouble, None);
        let hole = |bytes| Piece::Hole { bytes };
        let expected = [
            hole(4096),
            extent(8192, 8192),
            hole(8192),
            extent(65_536, 4096),
            hole(5424),
        ];
        assert_eq!(pieces, expected);
        assert_eq!(laid(0, &[]).0, []);
        assert_eq!(
            laid(5, &[told(0, 4096, 4096, Plain)]).0,
            [extent(4096, 4096)]
        );
    }

    #[test]
    fn what_is_not_told_or_lies_outside_is_lost_and_never_zeros() {
        use ToldForm::{Plain, Untold};
        let lost = |bytes| Piece::Lost { bytes };
        let (pieces, trouble) = laid(6000, &[told(0, 0, 8192, Untold)]);
        assert_eq!(pieces, [lost(6000)]);
        assert!(trouble.unwrap().contains("does not tell"));
        for at in [(1 << 20) - 4095, u64::MAX - 10, 1 << 30] {
            let (pieces, trouble) = laid(4096, &[told(0, at, 4096, Plain)]);
            assert_eq!(pieces, [lost(4096)]);
            assert!(trouble.unwrap().contains("outside"));
        }
        // Two places for one part: the first one stands, and the item is in doubt.
        let twice = [told(0, 4096, 8192, Plain), told(4096, 65_536, 8192, Plain)];
        let (pieces, trouble) = laid(12_288, &twice);
        assert_eq!(pieces, [extent(4096, 8192), extent(69_632, 4096)]);
        assert!(trouble.unwrap().contains("two places"));
    }

    proptest::proptest! {
        #[test]
        fn any_telling_covers_the_length_and_stays_on_the_volume(
            length in 0u64..100_000,
            all in proptest::collection::vec((proptest::prelude::any::<u64>(), 0u64..2_000_000, proptest::prelude::any::<u64>(), 0..3u8), 0..8),
        ) {
            let all: Vec<ToldExtent> = all.into_iter().map(|(from, at, bytes, form)| {
                let form = [ToldForm::Plain, ToldForm::Unwritten, ToldForm::Untold][form as usize];
                told(from % 120_000, at, bytes % 60_000, form)
            }).collect();
            for piece in laid(length, &all).0 {
                if let Piece::Extent { at, bytes } = piece {
                    assert!(at >= PLACE.first_byte && at + bytes <= PLACE.end());
                }
            }
        }
    }
}
