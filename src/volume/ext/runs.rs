//! Where a file's blocks lie: runs in logical order, as extent trees and block maps both come down to.
//!
//! Invariant: runs never overlap and never go back; what lies between them is a hole. What could not be told is a
//! [`Form::Lost`] run, never a hole.

use super::ground::Ground;
use crate::volume::layout::{Piece, append};
use crate::volume::ntfs::raw::{put_number, take_number};

/// What a run is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Content.
    Data,
    /// Reserved, never written: reads as zeros, whatever lies there.
    Unwritten,
    /// Nobody knows where.
    Lost,
}

/// Some blocks of a file that follow one another on the volume.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Run {
    /// First block within the file.
    pub logical: u64,
    /// Number of blocks.
    pub blocks: u64,
    /// First block on the volume (0 = lost).
    pub at: u64,
    /// What it is.
    pub form: Form,
}

impl Run {
    /// The block behind the run, within the file.
    pub fn end(&self) -> u64 {
        self.logical.saturating_add(self.blocks)
    }
}

/// A file's blocks.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Mapped {
    /// The runs.
    pub runs: Vec<Run>,
    /// Blocks of the tree or map itself.
    pub nodes: Vec<u64>,
    /// What is wrong.
    pub trouble: Option<String>,
    /// A block of the tree or map could not be read.
    pub unread: bool,
}

impl Mapped {
    /// Notes the first trouble.
    pub fn wrong(&mut self, says: impl FnOnce() -> String) {
        if self.trouble.is_none() {
            self.trouble = Some(says());
        }
    }

    /// Adds a run behind the others, joined with the last one where they touch. `false` = it would go back.
    pub fn add(&mut self, run: Run) -> bool {
        if run.blocks == 0 {
            return true;
        }
        if let Some(last) = self.runs.last_mut() {
            if run.logical < last.end() {
                return false;
            }
            let touches = last.form == run.form
                && last.end() == run.logical
                && (run.form == Form::Lost || last.at.saturating_add(last.blocks) == run.at);
            if touches {
                last.blocks = last.blocks.saturating_add(run.blocks);
                return true;
            }
        }
        self.runs.push(run);
        true
    }

    /// Marks blocks `from..to` of the file as lost, as far as they lie behind the runs known.
    pub fn lose(&mut self, from: u64, to: u64) {
        let from = from.max(self.runs.last().map_or(0, Run::end));
        self.add(Run {
            logical: from,
            blocks: to.saturating_sub(from),
            at: 0,
            form: Form::Lost,
        });
    }
}

/// How much all files together may ask for, so that a hostile volume ends.
#[derive(Debug, Clone, Copy)]
pub struct Budget {
    /// Runs still to come.
    pub runs: u64,
    /// Blocks of trees and maps still to be read.
    pub nodes: u64,
}

impl Budget {
    /// A sound volume has no more runs, nor blocks of trees, than blocks.
    pub fn of(ground: &Ground<'_>) -> Self {
        let blocks = ground.blocks().saturating_add(1 << 16);
        Self {
            runs: blocks,
            nodes: blocks,
        }
    }

    /// Takes one of `from`; `false` = spent.
    pub fn take(from: &mut u64) -> bool {
        match from.checked_sub(1) {
            Some(rest) => {
                *from = rest;
                true
            }
            None => false,
        }
    }
}

/// Appends runs to notes.
pub fn put_runs(out: &mut Vec<u8>, runs: &[Run]) {
    put_number(out, runs.len() as u64);
    let (mut logical, mut at) = (0u64, 0u64);
    for run in runs {
        let form = match run.form {
            Form::Data => 0,
            Form::Unwritten => 1,
            Form::Lost => 2,
        };
        put_number(
            out,
            run.logical.wrapping_sub(logical).wrapping_shl(2) | form,
        );
        put_number(out, run.blocks);
        logical = run.end();
        if run.form != Form::Lost {
            let step = run.at.wrapping_sub(at) as i64;
            put_number(out, ((step << 1) ^ (step >> 63)) as u64);
            at = run.at.saturating_add(run.blocks);
        }
    }
}

/// Takes runs off notes; `None` = these are none.
pub fn take_runs(notes: &mut &[u8]) -> Option<Vec<Run>> {
    let count = take_number(notes)?;
    let mut out = Vec::with_capacity(usize::try_from(count).ok()?.min(notes.len()));
    let (mut logical, mut at) = (0u64, 0u64);
    for _ in 0..count {
        let head = take_number(notes)?;
        let blocks = take_number(notes)?;
        let form = match head & 3 {
            0 => Form::Data,
            1 => Form::Unwritten,
            _ => Form::Lost,
        };
        let mut run = Run {
            logical: logical.wrapping_add(head >> 2),
            blocks,
            at: 0,
            form,
        };
        logical = run.end();
        if form != Form::Lost {
            let step = take_number(notes)?;
            let step = (step >> 1) ^ (step & 1).wrapping_neg();
            run.at = at.wrapping_add(step);
            at = run.at.saturating_add(blocks);
        }
        out.push(run);
    }
    Some(out)
}

/// The pieces of a file of `bytes` bytes.
pub fn pieces(ground: &Ground<'_>, runs: &[Run], bytes: u64) -> Vec<Piece> {
    let size = ground.sb.block_bytes;
    let mut out = Vec::new();
    let mut done = 0u64;
    for run in runs {
        let from = run.logical.saturating_mul(size);
        if from >= bytes {
            break;
        }
        append(
            &mut out,
            Piece::Hole {
                bytes: from.saturating_sub(done),
            },
        );
        let blocks = run.blocks.min((bytes - from).div_ceil(size));
        let long = blocks.saturating_mul(size);
        match run.form {
            Form::Data => ground.pieces(run.at, blocks, &mut out),
            Form::Unwritten => append(&mut out, Piece::Hole { bytes: long }),
            Form::Lost => append(&mut out, Piece::Lost { bytes: long }),
        }
        done = from.saturating_add(long);
    }
    append(
        &mut out,
        Piece::Hole {
            bytes: bytes.saturating_sub(done),
        },
    );
    let mut over = done.saturating_sub(bytes);
    while over > 0
        && let Some(mut last) = out.pop()
    {
        let bytes = last.bytes();
        let cut = over.min(bytes);
        over -= cut;
        last.truncate(bytes - cut);
        append(&mut out, last);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn runs_come_back_from_notes(
            steps in proptest::collection::vec((0u64..1000, 1u64..40_000, 0u64..1 << 48, 0u8..3), 0..20)
        ) {
            let mut mapped = Mapped::default();
            let mut logical = 0;
            for (gap, blocks, at, form) in steps {
                logical += gap;
                let form = [Form::Data, Form::Unwritten, Form::Lost][usize::from(form)];
                let at = if form == Form::Lost { 0 } else { at };
                let run = Run { logical, blocks, at, form };
                prop_assert!(mapped.add(run));
                logical += blocks;
            }
            let mut notes = Vec::new();
            put_runs(&mut notes, &mapped.runs);
            let mut rest = notes.as_slice();
            prop_assert_eq!(take_runs(&mut rest), Some(mapped.runs));
            prop_assert!(rest.is_empty());
        }

        #[test]
        fn other_bytes_are_no_runs_and_no_panic(bytes in proptest::collection::vec(any::<u8>(), 0..60)) {
            let _ = take_runs(&mut bytes.as_slice());
        }
    }
}
