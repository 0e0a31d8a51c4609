//! What hangs on behind a file's size: clusters of its chain that the size does not need (FAT, exFAT).
//!
//! Invariant: they are nothing to speak of only while they hold nothing. Content that belongs to a named file and lies behind
//! its size is not copied, so the file is in doubt: a size that was cut, or a writing that the size never caught up with.

use super::bytes::Part;
use super::chain::{Chain, Space};
use super::filesystem::{Findings, Weight};
use super::gap::is_blank;
use crate::value::Name;

/// Bytes read together.
const PIECE: u64 = 1 << 20;

/// How much of what hangs on behind files may still be looked at on one volume.
#[derive(Debug)]
pub struct Look {
    left: u64,
}

impl Default for Look {
    /// Space set aside in advance is seldom more (engineering judgement); what is not looked at counts as content.
    fn default() -> Self {
        Self { left: 1 << 30 }
    }
}

impl Look {
    /// What is wrong with a file that owns `tail` behind its size; `None` = it is blank, or one cluster only, which some
    /// writers take before they need it.
    pub fn trouble(&mut self, part: &Part<'_>, space: &Space, tail: &Chain) -> Option<String> {
        if tail.clusters < 2 {
            return None;
        }
        for (first, count) in &tail.runs {
            let bytes = u64::from(*count).saturating_mul(space.cluster_bytes);
            let at = space.at(*first).saturating_sub(part.absolute(0));
            let mut done = 0;
            while done < bytes {
                let here = PIECE.min(bytes - done);
                let says = match self.left.checked_sub(here) {
                    None => "were not looked at",
                    Some(left) => {
                        self.left = left;
                        match part.read_vec(at.saturating_add(done), here as usize) {
                            Ok(piece) if is_blank(&piece) => {
                                done += here;
                                continue;
                            }
                            Ok(_) => "are not blank",
                            Err(_) => "could not be read",
                        }
                    }
                };
                return Some(format!(
                    "{} clusters belong to it that its size does not count, and they {says}: its size may have been cut",
                    tail.clusters
                ));
            }
        }
        None
    }
}

/// Says that a sound item owns more clusters than its size needs.
pub fn note(findings: &mut Findings, record: u64, name: &Name, clusters: u64) {
    findings.note("clusters-to-spare", Weight::Sentence, Some(record), || {
        format!(
            "\"{}\" owns {clusters} clusters more than its size needs: set aside in advance, or being written when the machine stopped",
            name.text()
        )
    });
}
