//! Self-tests of any command set, told alike: which one counts, and how long ago the drive
//! last met an unreadable sector.
//!
//! Invariant: a failed test stands until one at least as wide has finished without finding
//! anything; a test that was broken off is no news at all.

use super::nvme_history::SelfTests;
use super::pages::Ata;
use super::scsi_log::Logs;

/// How a self-test ended.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// Finished, nothing found.
    Clean,
    /// Stopped at an unreadable sector.
    ReadFailed,
    /// Failed for another reason, named.
    OtherFailed(&'static str),
    /// Broken off or still running.
    Unfinished(&'static str),
}

/// One self-test.
#[derive(Debug, Clone, PartialEq)]
pub struct LastSelfTest {
    /// Tests more than a few seconds of the surface.
    pub wide: bool,
    /// How it ended.
    pub outcome: Outcome,
    /// First failing sector.
    pub sector: Option<u64>,
    /// Hours powered on at its end; 16 bits only where `hours_wrap`.
    pub hours: Option<u64>,
    /// `hours` starts again after 65,535.
    pub hours_wrap: bool,
    /// Where it is written.
    pub source: &'static str,
}

impl LastSelfTest {
    /// The sentence for people.
    pub fn says(&self) -> String {
        let how = match (&self.outcome, self.sector) {
            (Outcome::Clean, _) => "finished, nothing found".to_owned(),
            (Outcome::ReadFailed, Some(sector)) => {
                format!("stopped at sector {sector}, unreadable")
            }
            (Outcome::ReadFailed, None) => "stopped at an unreadable sector".to_owned(),
            (Outcome::OtherFailed(why), _) => format!("failed: {why}"),
            (Outcome::Unfinished(why), _) => format!("not finished ({why})"),
        };
        format!("last self-test: {how}")
    }

    /// Whether it found something.
    pub fn failed(&self) -> bool {
        matches!(self.outcome, Outcome::ReadFailed | Outcome::OtherFailed(_))
    }
}

/// The test that counts, out of `newest_first`.
pub fn last(newest_first: Vec<LastSelfTest>) -> Option<LastSelfTest> {
    let (mut clean, mut unfinished): (Option<LastSelfTest>, Option<LastSelfTest>) = (None, None);
    let mut clean_wide = false;
    for test in newest_first {
        match test.outcome {
            // A short test that finds nothing does not clear what a long one found.
            Outcome::ReadFailed | Outcome::OtherFailed(_) => {
                if clean.is_none() || (test.wide && !clean_wide) {
                    return Some(test);
                }
            }
            Outcome::Clean => {
                clean_wide |= test.wide;
                clean.get_or_insert(test);
            }
            Outcome::Unfinished(_) => {
                unfinished.get_or_insert(test);
            }
        }
    }
    clean.or(unfinished)
}

/// NVMe log 06h.
pub fn of_nvme(log: &SelfTests) -> Vec<LastSelfTest> {
    let results = log.results.value().into_iter().flatten();
    results
        .map(|r| LastSelfTest {
            wide: r.test_code == 2,
            outcome: match r.result {
                0 => Outcome::Clean,
                6 | 7 if r.failing_lba.is_some() || (r.sct, r.sc) == (Some(2), Some(0x81)) => {
                    Outcome::ReadFailed
                }
                5 => Outcome::OtherFailed("fatal or unknown error"),
                6 => Outcome::OtherFailed("a segment that it does not name"),
                7 => Outcome::OtherFailed("one of its segments"),
                1 => Outcome::Unfinished("broken off by a command"),
                2 => Outcome::Unfinished("broken off by a reset"),
                4 | 9 => Outcome::Unfinished("broken off by an erasing command"),
                _ => Outcome::Unfinished("broken off"),
            },
            sector: r.failing_lba,
            hours: Some(r.power_on_hours),
            hours_wrap: false,
            source: "NVMe log 06h",
        })
        .collect()
}

/// A status nibble of ATA.
fn ata_outcome(status: u8) -> Outcome {
    match status {
        0 => Outcome::Clean,
        1 => Outcome::Unfinished("broken off by the host"),
        2 => Outcome::Unfinished("broken off by a reset"),
        3 => Outcome::OtherFailed("fatal or unknown error"),
        4 => Outcome::OtherFailed("an element that it does not name"),
        5 => Outcome::OtherFailed("electrical element"),
        6 => Outcome::OtherFailed("servo or seek element"),
        7 => Outcome::ReadFailed,
        8 => Outcome::OtherFailed("damage by handling suspected"),
        15 => Outcome::Unfinished("still running"),
        _ => Outcome::Unfinished("a result that the standard does not define"),
    }
}

/// ATA: extended log, else the short one, else the status byte of READ DATA (which says
/// nothing when it is 0: "finished without error, or never run").
pub fn of_ata(ata: &Ata) -> Vec<LastSelfTest> {
    for (log, source) in [
        (&ata.extended_self_tests, "ATA log 07h"),
        (&ata.self_tests, "ATA log 06h"),
    ] {
        let tests: Vec<LastSelfTest> = log
            .descriptors
            .value()
            .into_iter()
            .flatten()
            // A damaged log may bring bad news, never good news.
            .filter(|d| log.sound() || (3..=8).contains(&d.status()))
            .map(|d| LastSelfTest {
                wide: !matches!(d.test & 0x7f, 1 | 3),
                outcome: ata_outcome(d.status()),
                sector: d.failing_lba,
                hours: Some(u64::from(d.hours)),
                hours_wrap: true,
                source,
            })
            .collect();
        if !tests.is_empty() {
            return tests;
        }
    }
    match ata.smart.self_test_status_byte.get().map(|b| b >> 4) {
        None | Some(0) => Vec::new(),
        Some(status) => vec![LastSelfTest {
            wide: false,
            outcome: ata_outcome(status),
            sector: None,
            hours: None,
            hours_wrap: true,
            source: "ATA SMART data, byte 363",
        }],
    }
}

/// SCSI log page 10h.
pub fn of_scsi(logs: &Logs) -> Vec<LastSelfTest> {
    let tests = logs.self_tests.value().into_iter().flatten();
    tests
        .map(|t| LastSelfTest {
            wide: matches!(t.code, 2 | 6),
            outcome: match t.result {
                0 => Outcome::Clean,
                3..=7 if t.failing_lba.is_some() || t.sense[0] == 3 => Outcome::ReadFailed,
                3 => Outcome::OtherFailed("unknown error"),
                4 => Outcome::OtherFailed("a segment that it does not name"),
                5..=7 => Outcome::OtherFailed("one of its segments"),
                15 => Outcome::Unfinished("still running"),
                _ => Outcome::Unfinished("broken off"),
            },
            sector: t.failing_lba,
            hours: Some(u64::from(t.hours)),
            hours_wrap: true,
            source: "SCSI log page 10h",
        })
        .collect()
}

/// Hour stamps of tests that stopped at an unreadable sector, with whether they wrap.
pub fn read_failures(tests: &[LastSelfTest]) -> Vec<(u64, bool)> {
    tests
        .iter()
        .filter(|t| t.outcome == Outcome::ReadFailed)
        .filter_map(|t| Some((t.hours?, t.hours_wrap)))
        .collect()
}

/// Hour stamps (16 bits) of unreadable sectors in the ATA error logs.
pub fn error_stamps(ata: &Ata) -> Vec<u16> {
    [
        &ata.summary_errors,
        &ata.comprehensive_errors,
        &ata.extended_errors,
    ]
    .into_iter()
    .filter(|log| log.sound())
    .flat_map(|log| log.entries.value().into_iter().flatten())
    .filter(|e| e.uncorrectable())
    .map(|e| e.hours)
    .collect()
}

/// Reads without the data that the ATA error logs hold, by the log that holds most of them (the same
/// error may stand in all three); a damaged log may bring bad news, but no hours. `None` = none.
pub fn logged_unread(ata: &Ata) -> Option<(u64, &'static str)> {
    [
        (&ata.summary_errors, "ATA log 01h"),
        (&ata.comprehensive_errors, "ATA log 02h"),
        (&ata.extended_errors, "ATA log 03h"),
    ]
    .into_iter()
    .map(|(log, source)| {
        let entries = log.entries.value().into_iter().flatten();
        (entries.filter(|e| e.uncorrectable()).count() as u64, source)
    })
    .filter(|(n, _)| *n > 0)
    // Of equal ones the first: `max_by_key` would take the last.
    .reduce(|a, b| if b.0 > a.0 { b } else { a })
}

/// The latest hour that any sound ATA log mentions: the drive cannot be younger.
pub fn latest_stamp(ata: &Ata) -> Option<u64> {
    let errors = [
        &ata.summary_errors,
        &ata.comprehensive_errors,
        &ata.extended_errors,
    ]
    .into_iter()
    .filter(|log| log.sound())
    .flat_map(|log| log.entries.value().into_iter().flatten())
    .map(|e| e.hours);
    let tests = [&ata.self_tests, &ata.extended_self_tests]
        .into_iter()
        .filter(|log| log.sound())
        .flat_map(|log| log.descriptors.value().into_iter().flatten())
        .map(|d| d.hours);
    errors.chain(tests).max().map(u64::from)
}

/// Days of power since the newest of the stamps; `None` = no stamp, or the hours now are not known.
/// The newest is taken because the hazard is highest right after an error.
pub fn error_age_days(
    hours_now: Option<u64>,
    tests: Vec<(u64, bool)>,
    errors: &[u16],
) -> Option<f64> {
    const WRAP: u64 = 1 << 16;
    let now = hours_now?;
    let errors = errors.iter().map(|h| (u64::from(*h), true));
    tests
        .into_iter()
        .chain(errors)
        .filter_map(|(stamp, wraps)| {
            let age = now.checked_sub(stamp)?;
            Some(if wraps { age % WRAP } else { age })
        })
        .min()
        .map(|hours| hours as f64 / 24.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn test(wide: bool, outcome: Outcome) -> LastSelfTest {
        LastSelfTest {
            wide,
            outcome,
            sector: Some(9),
            hours: Some(10),
            hours_wrap: true,
            source: "ATA log 06h",
        }
    }

    #[test]
    fn only_a_test_as_wide_clears_a_failure() {
        let failed = || test(true, Outcome::ReadFailed);
        let counts = |tests| last(tests).unwrap();
        assert!(counts(vec![test(false, Outcome::Clean), failed()]).failed());
        assert!(!counts(vec![test(true, Outcome::Clean), failed()]).failed());
        let broken = test(true, Outcome::Unfinished("broken off"));
        assert!(counts(vec![broken.clone(), failed()]).failed());
        assert!(
            !counts(vec![
                test(false, Outcome::Clean),
                test(false, Outcome::ReadFailed)
            ])
            .failed()
        );
        assert_eq!(counts(vec![broken.clone()]), broken);
        assert_eq!(last(vec![]), None);
    }

    #[test]
    fn sentences() {
        assert_eq!(
            test(true, Outcome::ReadFailed).says(),
            "last self-test: stopped at sector 9, unreadable"
        );
        assert_eq!(
            test(true, Outcome::Clean).says(),
            "last self-test: finished, nothing found"
        );
    }

    #[test]
    fn age_counts_from_the_newest_stamp_and_wraps() {
        let age = |now, errors: &[u16]| error_age_days(now, vec![], errors);
        assert_eq!(age(Some(28_202), &[28_178, 20_000]), Some(1.0));
        assert_eq!(age(Some(65_536 + 48), &[24]), Some(1.0));
        assert_eq!(
            age(Some(10), &[24]),
            None,
            "a stamp from the future is no age"
        );
        assert_eq!(age(None, &[24]), None);
        assert_eq!(
            error_age_days(Some(70_000), vec![(0, false)], &[]),
            Some(70_000.0 / 24.0)
        );
    }
}
