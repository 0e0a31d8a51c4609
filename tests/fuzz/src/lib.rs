//! Fuzz targets for everything that takes bytes from outside: one small program per decoder in `src/bin/`.
//!
//! With the `cargo fuzz` subcommand installed, from `tests/`:
//!
//! ```sh
//! cargo +nightly fuzz run --fuzz-dir fuzz ata_smart -- -max_total_time=60
//! ```
//!
//! Without it (a C++ compiler is needed for the runtime), from `tests/fuzz/`:
//!
//! ```sh
//! RUSTFLAGS="--cfg fuzzing -Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4 \
//!   -Cllvm-args=-sanitizer-coverage-inline-8bit-counters -Cllvm-args=-sanitizer-coverage-pc-table \
//!   -Ccodegen-units=1" cargo build --release --target x86_64-unknown-linux-gnu --bin ata_smart
//! target/x86_64-unknown-linux-gnu/release/ata_smart -max_total_time=60 corpus/ata_smart ../fixtures/pages
//! ```
//!
//! A crash leaves its input beside the corpus; it becomes a regression test of the decoder.

use holdpoint::drive::asking::Hint;
use holdpoint::drive::question::{Question, Reply};
use holdpoint::drive::reading::StoredReading;
use holdpoint::drive::replies::Replies;
use holdpoint::value::Moment;

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
