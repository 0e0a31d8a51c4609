//! Health pages of an invented disk, made byte by byte as the standards lay them out.
//!
//! Invariant: every page is one that a real drive could send: words in their places, supported
//! and valid bits set, checksums right.

use crate::drive::question::{Question, Reply};
use crate::drive::replies::Replies;
use crate::port::Transport;

/// A drive that was asked before.
pub(super) struct Recorded(pub Replies);

impl Transport for Recorded {
    fn ask(&mut self, question: Question) -> Reply {
        self.0.get(question).clone()
    }

    fn says(&self) -> String {
        "recorded replies".into()
    }
}

/// What the invented disk has to say.
#[derive(Debug, Clone, Copy)]
pub struct Ailing {
    /// Hours powered on.
    pub hours: u32,
    /// Sectors that wait to be remapped.
    pub awaiting: u32,
    /// Sectors already replaced.
    pub remapped: u32,
    /// Reads that ended without the data.
    pub given_up: u32,
    /// Where the last self-test stopped; `None` = it finished.
    pub stopped_at: Option<u32>,
    /// Degrees Celsius now.
    pub celsius: u8,
}

/// Length of a page.
const PAGE: usize = 512;
/// Sectors of 512 bytes of a 500 GB disk.
const SECTORS: u64 = 976_773_168;

fn put(page: &mut [u8], at: usize, bytes: &[u8]) {
    if let Some(room) = page.get_mut(at..at + bytes.len()) {
        room.copy_from_slice(bytes);
    }
}

fn word(page: &mut [u8], number: usize, value: u16) {
    put(page, number * 2, &value.to_le_bytes());
}

/// Text as ATA keeps it: padded with spaces, the bytes of each word swapped.
fn text(page: &mut [u8], at: usize, length: usize, text: &str) {
    let mut bytes: Vec<u8> = text.bytes().take(length).collect();
    bytes.resize(length, b' ');
    bytes.chunks_exact_mut(2).for_each(|pair| pair.swap(0, 1));
    put(page, at, &bytes);
}

/// The last byte makes the sum of all bytes zero.
fn checksum(page: &mut [u8]) {
    let sum = page
        .iter()
        .take(PAGE - 1)
        .fold(0u8, |sum, byte| sum.wrapping_add(*byte));
    put(page, PAGE - 1, &[sum.wrapping_neg()]);
}

/// IDENTIFY DEVICE (ACS-3, 7.12.7).
fn identify(model: &str, serial: &str) -> Vec<u8> {
    let mut page = vec![0u8; PAGE];
    word(&mut page, 0, 0x0040);
    text(&mut page, 20, 20, serial);
    text(&mut page, 46, 8, "DEMO1");
    text(&mut page, 54, 40, model);
    put(&mut page, 120, &0x0fff_ffffu32.to_le_bytes()); // words 60-61: 28-bit sectors
    word(&mut page, 80, 0x01f0); // major versions
    word(&mut page, 82, 0x0001); // SMART supported
    word(&mut page, 83, 0x4400); // 48-bit addresses; bit 14 marks the word as meant
    word(&mut page, 84, 0x4023); // error log, self-test, general purpose log
    word(&mut page, 85, 0x0001); // SMART enabled
    word(&mut page, 86, 0x0400);
    word(&mut page, 87, 0x4023);
    put(&mut page, 200, &SECTORS.to_le_bytes()); // words 100-103
    word(&mut page, 106, 0x6003); // eight logical sectors in a physical one
    word(&mut page, 217, 5400); // turns a minute
    put(&mut page, 510, &[0xa5]); // the signature before the checksum
    checksum(&mut page);
    page
}

/// One page of Device Statistics (ACS-3, annex A): offset and value.
fn statistics(number: u8, values: &[(usize, u64)]) -> Vec<u8> {
    let mut page = vec![0u8; PAGE];
    put(&mut page, 0, &[1, 0, number]);
    for (at, value) in values {
        // Bits 63 and 62 of the flags: supported, valid.
        put(&mut page, *at, &(value | 0xc0 << 56).to_le_bytes());
    }
    page
}

/// SMART self-test log (ACS-3, 9.8): one test, the newest.
fn self_test(ailing: &Ailing) -> Vec<u8> {
    let mut page = vec![0u8; PAGE];
    put(&mut page, 0, &1u16.to_le_bytes());
    // Extended test; 7 = stopped at an unreadable sector, with 60 % left; 0 = nothing found.
    let status = if ailing.stopped_at.is_some() { 0x76 } else { 0 };
    let hours = u16::try_from(ailing.hours % 65_536).unwrap_or(0);
    put(&mut page, 2, &[0x02, status]);
    put(&mut page, 4, &hours.to_le_bytes());
    put(
        &mut page,
        7,
        &ailing.stopped_at.unwrap_or(u32::MAX).to_le_bytes(),
    );
    put(&mut page, 508, &[1]);
    checksum(&mut page);
    page
}

/// All replies of the disk.
pub fn replies(model: &str, serial: &str, ailing: &Ailing) -> Replies {
    let mut out = Replies::default();
    let mut say = |question, page| out.put(question, Reply::Bytes(page));
    say(Question::AtaIdentify, identify(model, serial));
    // LBA mid and high 4Fh, C2h: no limit was crossed, says the drive.
    say(Question::AtaSmartStatus, vec![0x4f, 0xc2]);
    say(Question::AtaLog(0x06), self_test(ailing));
    let mut list = vec![0u8; PAGE];
    put(&mut list, 0, &[1, 0, 0, 0, 0, 0, 0, 0, 6, 0, 1, 3, 4, 5, 6]);
    say(Question::AtaGpl(4, 0), list);
    let (hours, celsius) = (u64::from(ailing.hours), u64::from(ailing.celsius));
    let pages = [
        (
            1u8,
            vec![(0x08, 2911), (0x10, hours), (0x18, 21_400_000_000)],
        ),
        (
            3,
            vec![
                (0x08, hours),
                (0x20, u64::from(ailing.remapped)),
                (0x38, u64::from(ailing.awaiting)),
            ],
        ),
        (4, vec![(0x08, u64::from(ailing.given_up)), (0x10, 3)]),
        (5, vec![(0x08, celsius), (0x20, 51), (0x58, 60)]),
        (6, vec![(0x18, 0)]),
    ];
    for (number, values) in pages {
        say(Question::AtaGpl(4, number), statistics(number, &values));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::health::ata_identify::Identify;
    use crate::drive::health::ata_self_test::SelfTestLog;
    use crate::drive::health::ata_statistics::Statistics;
    use crate::drive::health::page::Page;

    #[test]
    fn the_pages_decode_to_what_was_put_in() {
        let ailing = Ailing {
            hours: 30_000,
            awaiting: 12,
            remapped: 5,
            given_up: 40,
            stopped_at: Some(123_456),
            celsius: 44,
        };
        let replies = replies("INVENTED 500", "INV-0042", &ailing);
        let page = |question| Page::from_reply(replies.get(question), PAGE);
        let identity = Identify::decode(&page(Question::AtaIdentify));
        assert_eq!(
            identity.model.value().map(String::as_str),
            Some("INVENTED 500")
        );
        assert_eq!(
            identity.serial.value().map(String::as_str),
            Some("INV-0042")
        );
        assert_eq!(identity.bytes().get(), Some(SECTORS * 512));
        let log = SelfTestLog::short(&page(Question::AtaLog(6)));
        assert!(log.sound());
        let newest = log.descriptors.value().and_then(|all| all.first().copied());
        assert_eq!(newest.and_then(|test| test.failing_lba), Some(123_456));
        let mut statistics = Statistics::default();
        for number in [1u8, 3, 4, 5, 6] {
            let decoded = crate::drive::health::ata_statistics::page(
                number,
                &page(Question::AtaGpl(4, number)),
            );
            statistics.add(number, decoded);
        }
        assert_eq!(statistics.count(3, 0x38).get(), Some(12));
        assert_eq!(statistics.count(3, 0x20).get(), Some(5));
        assert_eq!(statistics.get(5, 0x08).get(), Some(44));
    }
}
