//! From run lists to pieces: the parts of one attribute, wherever they were found, are put in
//! order by their first cluster.
//!
//! Invariant: a gap, an overlap, a missing tail or a run that cannot be becomes [`Piece::Lost`] and
//! a word of trouble; a hole is believed only where the attribute's flags allow holes.

use super::boot::Geometry;
use super::runs::Runs;
use crate::volume::filesystem::Place;
use crate::volume::layout::{Piece, append};
use std::borrow::Cow;

/// A volume's sizes and where it lies.
#[derive(Debug, Clone, Copy)]
pub struct Ground {
    /// Sizes.
    pub geometry: Geometry,
    /// The partition.
    pub place: Place,
}

/// One part of an attribute.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Part<'a> {
    /// First cluster of the attribute in this part.
    pub first: u64,
    /// Number of clusters in this part.
    pub clusters: u64,
    /// Its run list.
    pub list: &'a [u8],
}

/// The parts, laid out.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Laid {
    /// Pieces, in order.
    pub pieces: Vec<Piece>,
    /// Bytes that the pieces cover.
    pub bytes: u64,
    /// There is a hole.
    pub holes: bool,
    /// There is something on the drive.
    pub extents: bool,
    /// What is wrong, in words.
    pub trouble: Option<String>,
}

impl Laid {
    fn push(&mut self, piece: Piece) {
        self.bytes = self.bytes.saturating_add(piece.bytes());
        append(&mut self.pieces, piece);
    }

    /// Notes trouble; the first one is kept.
    pub fn wrong(&mut self, says: impl FnOnce() -> String) {
        if self.trouble.is_none() {
            self.trouble = Some(says());
        }
    }

    fn lose(&mut self, bytes: u64) {
        self.push(Piece::Lost { bytes });
    }

    /// Makes the pieces cover exactly `bytes`: what is missing is lost, what is more is cut off.
    pub fn fit(&mut self, bytes: u64) {
        if self.bytes < bytes {
            let missing = bytes - self.bytes;
            self.wrong(|| {
                format!("the file table does not say where its last {missing} bytes are")
            });
            self.lose(missing);
        }
        let mut covered = 0u64;
        self.pieces.retain_mut(|piece| {
            let room = bytes.saturating_sub(covered);
            piece.truncate(room);
            covered = covered.saturating_add(piece.bytes());
            room > 0
        });
        self.bytes = covered;
    }

    /// Everything is lost: the parts contradict each other.
    fn all_lost(bytes: u64, says: String) -> Self {
        let mut laid = Laid::default();
        laid.lose(bytes);
        laid.trouble = Some(says);
        laid
    }
}

/// Lays out the parts of one attribute.
pub fn lay(ground: &Ground, parts: &[Part<'_>], holes_allowed: bool) -> Laid {
    let cluster = ground.geometry.cluster_bytes;
    let mut parts = Cow::Borrowed(parts);
    if !parts.is_sorted_by_key(|part| part.first) {
        parts.to_mut().sort_by_key(|part| part.first);
    }
    let mut laid = Laid::default();
    let mut next = 0u64;
    for part in parts.iter() {
        let end = part.first.saturating_add(part.clusters);
        if end.checked_mul(cluster).is_none_or(|b| b > i64::MAX as u64) {
            laid.wrong(|| format!("impossible last cluster {end}"));
            break;
        }
        if part.first < next {
            return Laid::all_lost(
                next.max(end).saturating_mul(cluster),
                format!("two records both say where cluster {} is", part.first),
            );
        }
        if part.first > next {
            let gap = part.first - next;
            laid.wrong(|| {
                format!(
                    "no record says where clusters {next} to {} are",
                    part.first - 1
                )
            });
            laid.lose(gap * cluster);
        }
        let mut left = part.clusters;
        for run in Runs::new(part.list, ground.geometry.clusters) {
            let run = match run {
                Ok(run) => run,
                Err(bad) => {
                    laid.wrong(|| bad.to_string());
                    break;
                }
            };
            if run.clusters > left {
                laid.wrong(|| {
                    format!(
                        "the run list holds more clusters than the {} announced",
                        part.clusters
                    )
                });
                break;
            }
            left -= run.clusters;
            let bytes = run.clusters * cluster;
            match run.cluster {
                None if holes_allowed => {
                    laid.holes = true;
                    laid.push(Piece::Hole { bytes });
                }
                None => {
                    laid.wrong(|| "a hole in content that may have none".to_owned());
                    laid.lose(bytes);
                }
                Some(first) => {
                    laid.extents = true;
                    // Inside the volume, so no overflow; the partition may be shorter than the volume says.
                    let from = first.saturating_mul(cluster);
                    let inside = ground.place.bytes.saturating_sub(from).min(bytes);
                    if inside < bytes {
                        laid.wrong(|| "a run lies behind the end of the partition".to_owned());
                    }
                    laid.push(Piece::Extent {
                        at: ground.place.first_byte.saturating_add(from),
                        bytes: inside,
                    });
                    laid.lose(bytes - inside);
                }
            }
        }
        if left > 0 {
            laid.wrong(|| format!("the run list holds {left} clusters less than announced"));
            laid.lose(left * cluster);
        }
        next = end;
    }
    laid
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ground() -> Ground {
        Ground {
            geometry: Geometry {
                sector_bytes: 512,
                cluster_bytes: 4096,
                sectors: 32_767,
                clusters: 4095,
                table_cluster: 4,
                mirror_cluster: 2047,
                record_bytes: 1024,
                serial: 0,
            },
            place: Place {
                first_byte: 1 << 20,
                bytes: 16 << 20,
            },
        }
    }

    fn part(first: u64, clusters: u64, list: &[u8]) -> Part<'_> {
        Part {
            first,
            clusters,
            list,
        }
    }

    fn extent(cluster: u64, clusters: u64) -> Piece {
        Piece::Extent {
            at: (1 << 20) + cluster * 4096,
            bytes: clusters * 4096,
        }
    }

    #[test]
    fn parts_are_put_in_order_whatever_order_they_came_in() {
        let a = [0x11, 0x02, 0x10, 0];
        let b = [0x11, 0x03, 0x40, 0];
        let laid = lay(&ground(), &[part(2, 3, &b), part(0, 2, &a)], false);
        assert_eq!(laid.pieces, vec![extent(16, 2), extent(64, 3)]);
        assert_eq!(laid.trouble, None);
    }

    #[test]
    fn gaps_tails_overlaps_and_forbidden_holes_are_lost() {
        let a = [0x11, 0x02, 0x10, 0];
        let lost = |n: u64| Piece::Lost { bytes: n * 4096 };
        let gap = lay(&ground(), &[part(5, 2, &a)], false);
        assert_eq!(gap.pieces, vec![lost(5), extent(16, 2)]);
        assert!(gap.trouble.is_some());
        let short = lay(&ground(), &[part(0, 3, &a)], false);
        assert_eq!(short.pieces, vec![extent(16, 2), lost(1)]);
        assert!(short.trouble.is_some());
        let twice = lay(&ground(), &[part(0, 2, &a), part(1, 2, &a)], false);
        assert_eq!(twice.pieces, vec![lost(3)]);
        let hole = lay(&ground(), &[part(0, 2, &[0x01, 0x02, 0])], false);
        assert_eq!(hole.pieces, vec![lost(2)]);
        let mut tail = lay(&ground(), &[part(0, 2, &a)], false);
        tail.fit(3 * 4096 - 1);
        assert_eq!(
            tail.pieces,
            vec![extent(16, 2), Piece::Lost { bytes: 4095 }]
        );
        assert!(tail.trouble.is_some());
        let mut cut = lay(&ground(), &[part(0, 2, &a)], false);
        cut.fit(5000);
        assert_eq!(cut.bytes, 5000);
        assert_eq!(cut.trouble, None);
    }
}
