//! Run lists: which clusters of the volume hold which clusters of an attribute.
//!
//! Invariant: a run is yielded only if it lies inside the volume; the first thing that
//! cannot be is an error and ends the list.

use super::raw::take_bytes;
use std::fmt;

/// One run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Run {
    /// First cluster on the volume; `None` = a hole.
    pub cluster: Option<u64>,
    /// Number of clusters, at least 1.
    pub clusters: u64,
}

/// Why a run list ends before its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BadRuns {
    /// No end mark.
    Unended,
    /// A length of nothing, or a field wider than 8 bytes.
    Field,
    /// The run lies (partly) outside the volume.
    Outside,
}

impl fmt::Display for BadRuns {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            BadRuns::Unended => "the run list has no end",
            BadRuns::Field => "the run list has an impossible field",
            BadRuns::Outside => "a run lies outside the volume",
        })
    }
}

/// Iterates over a run list; ends after the first error.
#[derive(Debug, Clone)]
pub struct Runs<'a> {
    rest: &'a [u8],
    cluster: i64,
    volume_clusters: u64,
    ended: bool,
}

impl<'a> Runs<'a> {
    /// A run list of a volume with that many clusters.
    pub fn new(list: &'a [u8], volume_clusters: u64) -> Self {
        Self {
            rest: list,
            cluster: 0,
            volume_clusters,
            ended: false,
        }
    }

    #[inline]
    fn step(&mut self) -> Result<Option<Run>, BadRuns> {
        let Some((head, rest)) = self.rest.split_first() else {
            return Err(BadRuns::Unended);
        };
        if *head == 0 {
            return Ok(None);
        }
        let (length_bytes, offset_bytes) = (usize::from(head & 15), usize::from(head >> 4));
        if !(1..=8).contains(&length_bytes) || offset_bytes > 8 {
            return Err(BadRuns::Field);
        }
        let (clusters, rest) = take_bytes(rest, length_bytes).ok_or(BadRuns::Unended)?;
        let (offset, rest) = take_bytes(rest, offset_bytes).ok_or(BadRuns::Unended)?;
        self.rest = rest;
        if clusters == 0 || clusters > i64::MAX as u64 {
            return Err(BadRuns::Field);
        }
        if offset_bytes == 0 {
            return Ok(Some(Run {
                cluster: None,
                clusters,
            }));
        }
        // Signed: the highest byte's top bit fills the rest.
        let unused = 64 - 8 * offset_bytes;
        let delta = (offset << unused) as i64 >> unused;
        self.cluster = self.cluster.checked_add(delta).ok_or(BadRuns::Outside)?;
        let first = u64::try_from(self.cluster).map_err(|_| BadRuns::Outside)?;
        match first.checked_add(clusters) {
            Some(end) if end <= self.volume_clusters => Ok(Some(Run {
                cluster: Some(first),
                clusters,
            })),
            _ => Err(BadRuns::Outside),
        }
    }
}

impl Iterator for Runs<'_> {
    type Item = Result<Run, BadRuns>;

    #[inline]
    fn next(&mut self) -> Option<Self::Item> {
        if self.ended {
            return None;
        }
        match self.step() {
            Ok(Some(run)) => Some(Ok(run)),
            Ok(None) => {
                self.ended = true;
                None
            }
            Err(bad) => {
                self.ended = true;
                Some(Err(bad))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn run(cluster: u64, clusters: u64) -> Run {
        Run {
            cluster: Some(cluster),
            clusters,
        }
    }

    fn hole(clusters: u64) -> Run {
        Run {
            cluster: None,
            clusters,
        }
    }

    fn all(list: &[u8], clusters: u64) -> Result<Vec<Run>, BadRuns> {
        Runs::new(list, clusters).collect()
    }

    /// Read from images of another implementation: a fragmented file with a jump backwards,
    /// a sparse file, and the start of a compressed one.
    #[test]
    fn lists_read_from_volumes() {
        let fragmented = [
            0x21, 0x10, 0x09, 0x03, 0x21, 0x10, 0x90, 0xFE, 0x21, 0x08, 0xC0, 0x01, 0x00,
        ];
        assert_eq!(
            all(&fragmented, 4095),
            Ok(vec![run(777, 16), run(409, 16), run(857, 8)])
        );
        let sparse = [0x02, 0x00, 0x01, 0x21, 0x01, 0x00, 0x0A, 0x00];
        assert_eq!(all(&sparse, 4095), Ok(vec![hole(256), run(2560, 1)]));
        let compressed = [
            0x21, 0x01, 0x01, 0x0A, 0x01, 0x0F, 0x11, 0x01, 0x01, 0x01, 0x0F, 0x00,
        ];
        assert_eq!(
            all(&compressed, 4095),
            Ok(vec![run(2561, 1), hole(15), run(2562, 1), hole(15)])
        );
    }

    #[test]
    fn what_cannot_be_ends_the_list() {
        assert_eq!(all(&[0x21, 0x10, 0x09, 0x03], 4095), Err(BadRuns::Unended));
        assert_eq!(all(&[0x21, 0x10, 0x09], 4095), Err(BadRuns::Unended));
        assert_eq!(all(&[0x21, 0x00, 0x09, 0x03, 0], 4095), Err(BadRuns::Field));
        assert_eq!(all(&[0x20, 0x09, 0x03, 0], 4095), Err(BadRuns::Field));
        assert_eq!(
            all(&[0x19, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0], 9),
            Err(BadRuns::Field)
        );
        assert_eq!(all(&[0x11, 0x01, 0xFF, 0], 4095), Err(BadRuns::Outside));
        assert_eq!(all(&[0x11, 0x02, 0x09, 0], 10), Err(BadRuns::Outside));
        assert_eq!(all(&[0x11, 0x01, 0x09, 0], 10), Ok(vec![run(9, 1)]));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        #[test]
        fn any_bytes(list in proptest::collection::vec(any::<u8>(), 0..80), clusters in any::<u64>()) {
            for run in Runs::new(&list, clusters).flatten() {
                prop_assert!(run.clusters > 0);
                if let Some(first) = run.cluster {
                    prop_assert!(first + run.clusters <= clusters);
                }
            }
        }
    }
}
