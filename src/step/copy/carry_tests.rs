//! How little a bad sector costs.

use super::*;
use crate::port::{Sectors, Stamp};
use crate::read::content::ContentReader;
use crate::volume::layout::{Coding, Layout, Piece};
use std::sync::Arc;

/// A drive, or a file, of ones with places that cannot be read.
struct Weak {
    bytes: u64,
    bad: Vec<(u64, u64)>,
}

impl Weak {
    fn fill(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        let end = at + buf.len() as u64;
        buf.fill(1);
        let hit = |(first, bytes): &(u64, u64)| *first < end && at < first + bytes;
        match self.bad.iter().any(hit) {
            true => Err(Fault::new(FaultKind::Refused, "reading", "EIO")),
            false => Ok(()),
        }
    }
}

impl Sectors for Weak {
    fn sector_bytes(&self) -> u32 {
        512
    }
    fn bytes(&self) -> u64 {
        self.bytes
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<(), Fault> {
        self.fill(at, buf)
    }
}

impl Content for Weak {
    fn stamp(&self) -> Result<Stamp, Fault> {
        Ok(Stamp::default())
    }
    fn read_at(&self, at: u64, buf: &mut [u8]) -> Result<usize, Fault> {
        let count = usize::try_from(self.bytes.saturating_sub(at))
            .unwrap()
            .min(buf.len());
        self.fill(at, &mut buf[..count]).map(|()| count)
    }
    fn data_after(&self, at: u64) -> Result<Option<(u64, u64)>, Fault> {
        Ok((at < self.bytes).then(|| (at, self.bytes - at)))
    }
}

fn read(content: &dyn Content, bytes: usize, direct: bool) -> Vec<(u64, u64)> {
    let mut buf = vec![9u8; bytes.next_multiple_of(PAGE) + PAGE];
    let got = read_stretch(
        content,
        0,
        bytes,
        direct,
        &mut buf,
        &mut Patience::default(),
    )
    .unwrap();
    assert_eq!(got.bytes, bytes);
    assert_eq!(got.fault.is_some(), !got.missing.is_empty());
    for (at, byte) in buf[..bytes].iter().enumerate() {
        let lost = got
            .missing
            .iter()
            .any(|(first, length)| (*first..first + length).contains(&(at as u64)));
        assert_eq!(*byte, u8::from(!lost), "byte {at}");
    }
    got.missing
}

#[test]
fn on_a_drive_a_bad_sector_costs_that_sector() {
    let bytes = 300_000u64;
    let weak = Weak {
        bytes: 1 << 20,
        bad: vec![(1536, 512), (20_480, 1024), (299_520, 512)],
    };
    let layout = Layout {
        pieces: vec![Piece::Extent { at: 0, bytes }],
        coding: Coding::Plain,
        length: bytes,
        valid: bytes,
    };
    let content = ContentReader::shared(layout, Arc::new(weak));
    for direct in [false, true] {
        assert_eq!(
            read(&content, bytes as usize, direct),
            [(1536, 512), (20_480, 1024), (299_520, 480)]
        );
    }
}

#[test]
fn of_a_file_a_bad_sector_costs_its_page() {
    let weak = Weak {
        bytes: 300_000,
        bad: vec![(1536, 512), (20_480, 1024)],
    };
    for direct in [false, true] {
        assert_eq!(read(&weak, 300_000, direct), [(0, 4096), (20_480, 4096)]);
    }
}

#[test]
fn a_dead_stretch_is_leapt_through_and_what_is_good_behind_it_is_had() {
    let page = PAGE as u64;
    let weak = Weak {
        bytes: 1 << 20,
        bad: vec![(4 * page, 91 * page), (130 * page, page)],
    };
    for direct in [false, true] {
        assert_eq!(
            read(&weak, 1 << 20, direct),
            [(4 * page, 91 * page), (130 * page, page)]
        );
    }
}

/// Content that stays silent.
struct Silent(std::sync::atomic::AtomicU32);

impl Content for Silent {
    fn stamp(&self) -> Result<Stamp, Fault> {
        Ok(Stamp::default())
    }
    fn read_at(&self, _: u64, _: &mut [u8]) -> Result<usize, Fault> {
        self.0.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        Err(Fault::new(
            FaultKind::NoAnswer,
            "reading",
            "no answer in time",
        ))
    }
    fn data_after(&self, at: u64) -> Result<Option<(u64, u64)>, Fault> {
        Ok(Some((at, 1 << 30)))
    }
}

#[test]
fn a_silent_drive_is_asked_a_few_times_for_an_item_and_no_more() {
    let silent = Silent(Default::default());
    let mut patience = Patience::default();
    let mut buf = vec![9u8; PART];
    for part in 0..100u64 {
        let at = part * PART as u64;
        let got = read_part(&silent, at, PART, true, &mut buf, &mut patience).unwrap();
        assert_eq!(got.missing, [(at, PART as u64)]);
        assert_eq!(got.fault.unwrap().kind, FaultKind::NoAnswer);
        assert!(buf.iter().all(|byte| *byte == 0));
    }
    assert_eq!(silent.0.into_inner(), MOST_SILENCES);
}

#[test]
fn less_than_before_is_told_by_the_bytes_that_are_missing() {
    let row = |state, missing: &[(u64, u64)]| GotRow {
        state,
        missing: missing.to_vec(),
        ..GotRow::nothing(1)
    };
    let whole = row(Got::Whole, &[]);
    let (few, more) = (row(Got::Gaps, &[(0, 512)]), row(Got::Gaps, &[(0, 513)]));
    let none = row(Got::Unreadable, &[]);
    for pair in [&whole, &few, &more, &none].windows(2) {
        assert!(is_less(pair[1], pair[0]) && !is_less(pair[0], pair[1]));
    }
    assert!(!is_less(&few, &few));
    assert!(!is_less(&row(Got::Changed, &[]), &whole), "another version");
    assert!(is_less(&row(Got::Nothing, &[]), &whole), "not attempted");
}
