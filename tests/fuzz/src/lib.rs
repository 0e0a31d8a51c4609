//! Fuzz targets for everything that takes bytes from outside: one small program per decoder in `src/bin/`.
//!
//! `tests/fuzz/run [SECONDS [TARGET...]]` builds them with what a stable compiler has (a C++ compiler is needed for the
//! runtime), makes volumes to begin with, and runs each for that long. With the `cargo fuzz` subcommand and a nightly
//! compiler, which adds the address sanitizer, from `tests/`:
//!
//! ```sh
//! cargo +nightly fuzz run --fuzz-dir fuzz ata_smart -- -max_total_time=60
//! ```
//!
//! A crash leaves its input in `artifacts/`; it becomes a regression test of the decoder.

use holdpoint::drive::asking::Hint;
use holdpoint::drive::question::{Question, Reply};
use holdpoint::drive::reading::StoredReading;
use holdpoint::drive::replies::Replies;
use holdpoint::read::content::ContentReader;
use holdpoint::value::Moment;
use holdpoint::volume::filesystem::{Found, Limits, NotSurveyed, Place, Survey};
use holdpoint::volume::ntfs::InMemory;

/// Decodes a whole reading in which `data` is the reply to each of `questions`, then builds its report.
pub fn reading_of(questions: &[Question], data: &[u8]) {
    let mut replies = Replies::default();
    for question in questions {
        replies.put(*question, Reply::Bytes(data.to_vec()));
    }
    let reading = StoredReading {
        taken: Moment::from_seconds(0),
        through: "fuzzer".to_owned(),
        hint: Hint::recorded(),
        replies,
    }
    .decode();
    // What holds for any bytes: unreadable or not, never both and never neither.
    assert_eq!(reading.readable, reading.why_not.is_none());
    std::hint::black_box(reading.report());
}

/// Surveys a volume in memory, then reads a few of the contents that it lists, as far as each goes at once.
pub fn volume(
    bytes: &[u8],
    survey: impl FnOnce(
        &InMemory<'_>,
        Place,
        Limits,
        &mut dyn FnMut(Found),
    ) -> Result<Survey, NotSurveyed>,
) {
    let drive = InMemory {
        bytes,
        sector_bytes: 512,
    };
    let place = Place {
        first_byte: 0,
        bytes: bytes.len() as u64,
    };
    // Small enough that the limits themselves are met.
    let limits = Limits {
        items: 100_000,
        depth: 64,
        table_bytes: 16 << 20,
    };
    let mut layouts = Vec::new();
    let mut see = |found: Found| {
        if layouts.len() < 16 {
            layouts.extend(found.layout);
        }
    };
    std::hint::black_box(survey(&drive, place, limits, &mut see).is_ok());
    for layout in layouts {
        let mut buf = vec![0u8; 64 << 10];
        let _ = ContentReader::new(layout, &drive).read(0, &mut buf);
    }
}
