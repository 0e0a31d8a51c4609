//! The journal: what was written to it and not yet to its place, as newer copies of blocks. Nothing is written.
//!
//! Invariant: only transactions that ended are applied, in order, up to the first that did not; a copy whose checksum is
//! wrong makes its block lost, not old; everything that cannot be applied is an open point.

use super::crc::{crc32_high, crc32c};
use super::ground::{Ground, JOURNAL_MAGIC, Newer, Overlay};
use super::runs::{Form, Run};
use crate::port::Fault;
use crate::volume::bytes::{array, be16, be32, is, le16, le32, u8_at};
use crate::volume::filesystem::{Findings, Weight};
use std::collections::HashMap;

const DESCRIPTOR: u32 = 1;
const COMMIT: u32 = 2;
const REVOKE: u32 = 5;
/// Features of the journal's own: revoke records, 64 bit, late commits, checksums v2 and v3, fast commits.
const WIDE: u32 = 0x2;
const SUM_2: u32 = 0x8;
const SUM_3: u32 = 0x10;
const FAST: u32 = 0x20;
const KNOWN: u32 = 0x3F;
/// Blocks for fast commits where the journal does not say (kernel documentation, ext4 journal).
const FAST_BLOCKS: u32 = 256;

/// Entries of fast commits that are looked at.
const OUTDATED: usize = 1 << 20;

/// What the journal came to.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Played {
    /// Newer copies.
    pub overlay: Overlay,
    /// It was applied as far as it goes (an empty one, too).
    pub whole: bool,
    /// Transactions applied.
    pub transactions: u64,
    /// Inodes that fast commits say something newer of, which is not applied.
    pub outdated: Vec<u32>,
}

struct Journal<'a, 'g> {
    ground: &'a Ground<'g>,
    /// Block of the volume for each block of the journal; 0 = none.
    runs: &'a [Run],
    incompat: u32,
    compat: u32,
    seed: u32,
    first: u32,
    end: u32,
}

/// A transaction that ended.
struct Ended {
    number: u32,
    /// Copies in it: block, place in the journal, escaped, damaged.
    copies: Vec<(u64, u32, bool, bool)>,
    /// Blocks whose older copies no longer count.
    revoked: Vec<u64>,
}

/// What ended the reading of the journal.
enum End {
    /// The log ends here: normal.
    Log,
    /// A transaction that was being written: normal after a crash.
    Unfinished,
    /// Something that belongs to the log is damaged or unreadable.
    Damaged(String),
}

fn open_point(findings: &mut Findings, says: impl FnOnce() -> String) {
    findings.note("journal-not-applied", Weight::OpenPoint, Some(8), says);
}

/// Plays the journal whose blocks are `runs` into an overlay.
pub fn play(ground: &Ground<'_>, runs: &[Run], findings: &mut Findings) -> Result<Played, Fault> {
    let mut out = Played::default();
    let own = |block: u32| block_of(runs, block);
    let raw = match own(0) {
        Some(block) => ground.block(block)?,
        None => None,
    };
    let Some(raw) = raw.filter(|raw| is(raw, 0, &JOURNAL_MAGIC)) else {
        open_point(findings, || {
            "the journal's first block is unreadable or not a journal's: the last changes are missing".to_owned()
        });
        return Ok(out);
    };
    let second = match be32(&raw, 4) {
        3 => false,
        4 => true,
        other => {
            open_point(findings, || {
                format!("the journal is of an unknown kind ({other}): the last changes are missing")
            });
            return Ok(out);
        }
    };
    let feature = |at| if second { be32(&raw, at) } else { 0 };
    let (compat, incompat) = (feature(0x24), feature(0x28));
    let blocks = be32(&raw, 0x10);
    let fast = if incompat & FAST != 0 {
        Some(feature(0x54))
            .filter(|n| *n != 0)
            .unwrap_or(FAST_BLOCKS)
    } else {
        0
    };
    let journal = Journal {
        ground,
        runs,
        incompat,
        compat,
        seed: crc32c(!0, &array::<16>(&raw, 0x30).unwrap_or_default()),
        first: be32(&raw, 0x14),
        end: blocks.saturating_sub(fast),
    };
    let mapped = runs.last().map_or(0, Run::end);
    let sum_wrong = incompat & (SUM_2 | SUM_3) != 0 && {
        let mut sb = raw.get(..1024).unwrap_or_default().to_vec();
        if let Some(sum) = sb.get_mut(0xFC..0x100) {
            sum.fill(0);
        }
        crc32c(!0, &sb) != be32(&raw, 0xFC)
    };
    let (start, sequence) = (be32(&raw, 0x1C), be32(&raw, 0x18));
    let sound = u64::from(be32(&raw, 0xC)) == ground.sb.block_bytes
        && u64::from(blocks) <= mapped
        && journal.first >= 1
        && journal.first < journal.end
        && (start == 0 || (start >= journal.first && start < journal.end))
        && incompat & !KNOWN == 0
        && !sum_wrong;
    if !sound {
        open_point(findings, || {
            format!(
                "the journal's first block {}: the last changes are missing",
                if incompat & !KNOWN != 0 {
                    format!("asks for features that are not known here ({incompat:#x})")
                } else if sum_wrong {
                    "has a wrong checksum".to_owned()
                } else {
                    "contradicts itself or the journal's length".to_owned()
                }
            )
        });
        return Ok(out);
    }
    out.whole = true;
    let mut next = sequence;
    if start != 0 {
        let (ended, end) = journal.scan(start, sequence)?;
        next = sequence.wrapping_add(ended.len() as u32);
        out.transactions = ended.len() as u64;
        apply(&ended, &journal, &mut out.overlay);
        let bad = out
            .overlay
            .values()
            .filter(|newer| **newer == Newer::Lost)
            .count();
        if bad > 0 {
            out.whole = false;
            open_point(findings, || {
                format!(
                    "{bad} blocks in the journal are unreadable or have a wrong checksum: what lies in them is lost"
                )
            });
        }
        match end {
            End::Log => {}
            End::Unfinished => {
                findings.note("journal-unfinished", Weight::Sentence, Some(8), || {
                    "the last transaction in the journal was never finished; it does not count"
                        .to_owned()
                });
            }
            End::Damaged(why) => {
                out.whole = false;
                open_point(findings, || {
                    format!(
                        "the journal is damaged at transaction {next} ({why}): it and what came after it are missing"
                    )
                });
            }
        }
    }
    if fast > 0 && journal.fast_pending(next)? {
        out.whole = false;
        out.outdated = journal.outdated(blocks)?;
        open_point(findings, || {
            "the journal ends with fast commits, which are not applied here: the newest names, lengths and places of content are missing".to_owned()
        });
    }
    Ok(out)
}

/// Block of the volume for a block of a file.
fn block_of(runs: &[Run], block: u32) -> Option<u64> {
    let block = u64::from(block);
    let run = runs.get(runs.partition_point(|run| run.end() <= block))?;
    (run.form == Form::Data && run.logical <= block).then(|| run.at + (block - run.logical))
}

fn apply(ended: &[Ended], journal: &Journal<'_, '_>, overlay: &mut Overlay) {
    // A revoked block's copies count only from later transactions.
    let mut revoked: HashMap<u64, usize> = HashMap::new();
    for (order, transaction) in ended.iter().enumerate() {
        for block in &transaction.revoked {
            revoked.insert(*block, order);
        }
    }
    for (order, transaction) in ended.iter().enumerate() {
        for (block, place, escaped, damaged) in &transaction.copies {
            if revoked.get(block).is_some_and(|last| order <= *last) {
                continue;
            }
            let newer = match block_of(journal.runs, *place) {
                Some(own) if !damaged => Newer::At {
                    block: own,
                    escaped: *escaped,
                },
                _ => Newer::Lost,
            };
            overlay.insert(*block, newer);
        }
    }
}

impl Journal<'_, '_> {
    fn block(&self, place: u32) -> Result<Option<Vec<u8>>, Fault> {
        match block_of(self.runs, place) {
            Some(block) => self.ground.block(block),
            None => Ok(None),
        }
    }

    fn after(&self, place: u32, steps: u32) -> u32 {
        let room = u64::from(self.end - self.first).max(1);
        let into = u64::from(place.saturating_sub(self.first)) + u64::from(steps);
        self.first + (into % room) as u32
    }

    fn sums(&self) -> bool {
        self.incompat & (SUM_2 | SUM_3) != 0
    }

    /// All transactions that ended, and why there are no more.
    fn scan(&self, start: u32, sequence: u32) -> Result<(Vec<Ended>, End), Fault> {
        let mut ended = Vec::new();
        let mut now = Ended {
            number: sequence,
            copies: Vec::new(),
            revoked: Vec::new(),
        };
        let (mut place, mut begun, mut old_sum) = (start, false, !0u32);
        // Once around, and no further.
        let mut left = u64::from(self.end - self.first);
        let stop = |begun: bool| if begun { End::Unfinished } else { End::Log };
        loop {
            if left == 0 {
                return Ok((ended, stop(begun)));
            }
            left -= 1;
            let Some(raw) = self.block(place)? else {
                return Ok((
                    ended,
                    End::Damaged(format!("block {place} of it could not be read")),
                ));
            };
            if !is(&raw, 0, &JOURNAL_MAGIC) || be32(&raw, 8) != now.number {
                return Ok((ended, stop(begun)));
            }
            match be32(&raw, 4) {
                DESCRIPTOR => {
                    begun = true;
                    if !self.tail_holds(&raw) {
                        let end = self.end_of(place, now.number, left)?;
                        return Ok((ended, end));
                    }
                    old_sum = crc32_high(old_sum, &raw);
                    let tags = self.tags(&raw);
                    for (i, tag) in (1u32..).zip(&tags) {
                        if left == 0 {
                            return Ok((ended, End::Unfinished));
                        }
                        left -= 1;
                        let at = self.after(place, i);
                        let copy = self.block(at)?;
                        if self.compat & 1 != 0
                            && let Some(copy) = &copy
                        {
                            old_sum = crc32_high(old_sum, copy);
                        }
                        let damaged =
                            copy.is_none_or(|copy| !self.copy_holds(now.number, tag, &copy));
                        now.copies
                            .push((tag.block, at, tag.flags & 1 != 0, damaged));
                    }
                    place = self.after(place, 1 + tags.len() as u32);
                }
                REVOKE => {
                    begun = true;
                    if !self.tail_holds(&raw) {
                        let end = self.end_of(place, now.number, left)?;
                        return Ok((ended, end));
                    }
                    self.revoked(&raw, &mut now.revoked);
                    place = self.after(place, 1);
                }
                COMMIT => {
                    if !self.commit_holds(&raw, old_sum) {
                        // An end without a beginning is what an earlier file system left.
                        if !begun && self.sums() {
                            return Ok((ended, End::Log));
                        }
                        return Ok((
                            ended,
                            End::Damaged("a wrong checksum at its end".to_owned()),
                        ));
                    }
                    let next = now.number.wrapping_add(1);
                    ended.push(std::mem::replace(
                        &mut now,
                        Ended {
                            number: next,
                            copies: Vec::new(),
                            revoked: Vec::new(),
                        },
                    ));
                    (begun, old_sum) = (false, !0);
                    place = self.after(place, 1);
                }
                _ => return Ok((ended, stop(begun))),
            }
        }
    }

    /// What a list with a wrong checksum means. Where an earlier file system's journal lay, its blocks may bear the same
    /// numbers, and all of them have wrong checksums; if the transaction's end holds, it is this journal's, and damaged.
    fn end_of(&self, from: u32, number: u32, left: u64) -> Result<End, Fault> {
        for step in 1..=u32::try_from(left).unwrap_or(u32::MAX) {
            let raw = self.block(self.after(from, step))?;
            let ends = raw.is_none_or(|raw| {
                is(&raw, 0, &JOURNAL_MAGIC)
                    && (be32(&raw, 4), be32(&raw, 8)) == (COMMIT, number)
                    && self.commit_holds(&raw, 0)
            });
            if ends {
                return Ok(End::Damaged(
                    "a wrong checksum of one of its lists".to_owned(),
                ));
            }
        }
        Ok(End::Unfinished)
    }

    /// The checksum in the last four bytes of a block.
    fn tail_holds(&self, raw: &[u8]) -> bool {
        if !self.sums() {
            return true;
        }
        let end = raw.len().saturating_sub(4);
        let sum = crc32c(self.seed, raw.get(..end).unwrap_or_default());
        crc32c(sum, &[0; 4]) == be32(raw, end)
    }

    fn commit_holds(&self, raw: &[u8], old_sum: u32) -> bool {
        if self.sums() {
            let sum = crc32c(self.seed, raw.get(..0x10).unwrap_or_default());
            let sum = crc32c(sum, &[0; 4]);
            return crc32c(sum, raw.get(0x14..).unwrap_or_default()) == be32(raw, 0x10);
        }
        // Old checksums over the whole transaction: kind 1 (CRC-32), 4 bytes; all zero = none.
        let (kind, bytes, sum) = (u8_at(raw, 0xC), u8_at(raw, 0xD), be32(raw, 0x10));
        self.compat & 1 == 0
            || (kind, bytes, sum) == (0, 0, 0)
            || (kind == 1 && bytes == 4 && sum == old_sum)
    }

    fn copy_holds(&self, number: u32, tag: &Tag, copy: &[u8]) -> bool {
        if !self.sums() {
            return true;
        }
        let sum = crc32c(crc32c(self.seed, &number.to_be_bytes()), copy);
        if self.incompat & SUM_3 != 0 {
            sum == tag.sum
        } else {
            sum as u16 == tag.sum as u16
        }
    }

    fn tags(&self, raw: &[u8]) -> Vec<Tag> {
        let wide = self.incompat & WIDE != 0;
        let third = self.incompat & SUM_3 != 0;
        let bytes = match (third, wide) {
            (true, _) => 16,
            (false, true) => 12,
            (false, false) => 8,
        } + if !third && self.incompat & SUM_2 != 0 {
            2
        } else {
            0
        };
        let end = raw.len() - if self.sums() { 4 } else { 0 };
        let mut at = 12;
        let mut out = Vec::new();
        while at + bytes <= end {
            let low = u64::from(be32(raw, at));
            let tag = if third {
                Tag {
                    block: low
                        | if wide {
                            u64::from(be32(raw, at + 8)) << 32
                        } else {
                            0
                        },
                    flags: be32(raw, at + 4),
                    sum: be32(raw, at + 12),
                }
            } else {
                Tag {
                    block: low
                        | if wide {
                            u64::from(be32(raw, at + 8)) << 32
                        } else {
                            0
                        },
                    flags: be16(raw, at + 6).into(),
                    sum: be16(raw, at + 4).into(),
                }
            };
            at += bytes + if tag.flags & 2 == 0 { 16 } else { 0 };
            let last = tag.flags & 8 != 0;
            out.push(tag);
            if last {
                break;
            }
        }
        out
    }

    fn revoked(&self, raw: &[u8], out: &mut Vec<u64>) {
        let wide = self.incompat & WIDE != 0;
        let end = (be32(raw, 12) as usize).min(raw.len() - if self.sums() { 4 } else { 0 });
        let size = if wide { 8 } else { 4 };
        let entries = raw.get(16..end).unwrap_or_default();
        out.extend(entries.chunks_exact(size).map(|entry| {
            if wide {
                u64::from(be32(entry, 0)) << 32 | u64::from(be32(entry, 4))
            } else {
                be32(entry, 0).into()
            }
        }));
    }

    /// Whether fast commits of transaction `number` stand behind the log, one block after its end. They begin with a tag 9 of at least 8 bytes:
    /// features, then the number.
    fn fast_pending(&self, number: u32) -> Result<bool, Fault> {
        let Some(raw) = self.block(self.end + 1)? else {
            return Ok(true);
        };
        Ok(le16(&raw, 0) == 9 && le16(&raw, 2) >= 8 && le32(&raw, 8) == number)
    }

    /// The inodes that pending fast commits are about, in order. Each block holds tags, none runs into the next block
    /// (kernel documentation, ext4 journal, "Fast Commits"): a kind, a length, then for ranges and inodes the inode's number,
    /// for names the folder's and the inode's. What no longer reads so ends them.
    fn outdated(&self, blocks: u32) -> Result<Vec<u32>, Fault> {
        let mut out = Vec::new();
        for place in self.end.saturating_add(1)..blocks {
            let Some(raw) = self.block(place)? else {
                break;
            };
            let (mut at, mut known) = (0, false);
            while at + 4 <= raw.len() && out.len() < OUTDATED {
                let (kind, bytes) = (le16(&raw, at), usize::from(le16(&raw, at + 2)));
                if !(1..=9).contains(&kind) || at + 4 + bytes > raw.len() {
                    break;
                }
                known = true;
                match kind {
                    1 | 2 | 6 if bytes >= 4 => out.push(le32(&raw, at + 4)),
                    3..=5 if bytes >= 8 => out.push(le32(&raw, at + 8)),
                    _ => {}
                }
                at += 4 + bytes;
            }
            if !known {
                break;
            }
        }
        out.sort_unstable();
        out.dedup();
        Ok(out)
    }
}

struct Tag {
    block: u64,
    flags: u32,
    sum: u32,
}
