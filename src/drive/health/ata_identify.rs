//! ATA IDENTIFY DEVICE (ECh): 256 little-endian words (ATA8-ACS / ACS-3 word numbers,
//! partly from memory; the words read here are those a common kernel and drive makers' manuals agree on).
//!
//! Invariant: a word that the drive does not mark as valid means nothing.

use super::field::Fields;
use super::page::{Page, PageState, Then, hex};
use crate::drive::question::Reply;
use crate::value::Known;

/// Length in bytes.
pub const BYTES: usize = 512;

/// The page, decoded.
#[derive(Debug, Clone, PartialEq)]
pub struct Identify {
    /// How the page arrived.
    pub state: PageState,
    /// Whether the checksum in word 255 holds; not reported by drives that keep none.
    pub checksum_ok: Known<bool>,
    /// Word 0 bit 15 clear: an ATA disk and no packet device.
    pub ata_disk: Known<bool>,
    /// Model text.
    pub model: Known<String>,
    /// Serial text.
    pub serial: Known<String>,
    /// Firmware text.
    pub firmware: Known<String>,
    /// World-wide name, 16 hex digits, word 108 first.
    pub wwn: Known<String>,
    /// 48-bit addresses.
    pub lba48: Known<bool>,
    /// Sectors that can be addressed now.
    pub capacity_sectors: Known<u64>,
    /// Bytes of a logical sector.
    pub logical_sector_bytes: Known<u32>,
    /// Bytes of a physical sector.
    pub physical_sector_bytes: Known<u32>,
    /// Revolutions per minute; 0 = not rotating.
    pub rotation_rpm: Known<u32>,
    /// Highest claimed major version (ATA-n: n; 8 = ATA8-ACS, 9 = ACS-2, 10 = ACS-3).
    pub major_version: Known<u8>,
    /// Highest serial ATA generation.
    pub sata_generation: Known<u8>,
    /// Health recording supported (word 82 bit 0).
    pub smart_supported: Known<bool>,
    /// Health recording switched on (word 85 bit 0).
    pub smart_enabled: Known<bool>,
    /// A host protected area can exist (word 82 bit 10).
    pub host_protected_area_supported: Known<bool>,
    /// The host protected area feature is on (word 85 bit 10): sectors beyond the capacity may exist.
    pub host_protected_area_enabled: Known<bool>,
    /// Error log (word 84 bit 0).
    pub error_log_supported: Known<bool>,
    /// Self-test (word 84 bit 1).
    pub self_test_supported: Known<bool>,
    /// General-purpose logs (word 84 bit 5).
    pub gpl_supported: Known<bool>,
    /// Word 128 whole.
    pub security_word128: Known<u16>,
    /// Word 59 whole.
    pub sanitize_word59: Known<u16>,
}

fn bit(word: Known<u16>, bit: u32) -> Known<bool> {
    word.map(|w| w >> bit & 1 == 1)
}

impl Identify {
    /// Decodes the page.
    pub fn decode(page: &Page<'_>) -> Self {
        let word = |n: usize| page.le16(n * 2);
        // 0000h and FFFFh in a word of feature bits mean that it is not filled in.
        let filled = |n: usize| word(n).absent_if(|w| *w == 0 || *w == 0xffff);
        let marked = |n: usize| filled(n).absent_if(|w| w >> 14 != 1);
        let features = |n: usize| marked(83).then(|_| filled(n));
        let lba48 = bit(marked(83), 10);
        let size = marked(106);
        Self {
            state: page.state().clone(),
            checksum_ok: page
                .byte(510)
                .absent_if(|mark| *mark != 0xa5)
                .then(|_| page.sums_to_zero()),
            ata_disk: word(0).map(|w| w >> 15 == 0 || w == 0x848a),
            model: page.swapped_text(54, 40),
            serial: page.swapped_text(20, 20),
            firmware: page.swapped_text(46, 8),
            wwn: marked(87)
                .absent_if(|w| w >> 8 & 1 == 0)
                .then(|_| page.slice(216, 8))
                .map(|raw| {
                    hex(&raw
                        .chunks_exact(2)
                        .flat_map(|w| w.iter().rev().copied())
                        .collect::<Vec<u8>>())
                })
                .absent_if(|text| {
                    text.bytes().all(|b| b == b'0') || text.bytes().all(|b| b == b'f')
                }),
            capacity_sectors: capacity(page, &lba48),
            lba48,
            logical_sector_bytes: logical(page, &size),
            physical_sector_bytes: logical(page, &size).then(|logical| match size.get() {
                Some(w) if w >> 13 & 1 == 1 => logical
                    .checked_shl(u32::from(w & 0x0f))
                    .map_or(Known::NotReported, Known::Value),
                _ => Known::Value(logical),
            }),
            rotation_rpm: word(217).then(|w| match w {
                1 => Known::Value(0),
                0x0401..=0xfffe => Known::Value(u32::from(w)),
                _ => Known::NotReported,
            }),
            major_version: filled(80).then(|w| match (w & 0x7ffe).checked_ilog2() {
                Some(highest) => Known::Value(highest as u8),
                None => Known::NotReported,
            }),
            sata_generation: filled(76).then(|w| match (w & 0x000e).checked_ilog2() {
                Some(highest) => Known::Value(highest as u8),
                None => Known::NotReported,
            }),
            smart_supported: bit(features(82), 0),
            smart_enabled: bit(features(85), 0),
            host_protected_area_supported: bit(features(82), 10),
            host_protected_area_enabled: bit(features(85), 10),
            error_log_supported: bit(marked(84), 0),
            self_test_supported: bit(marked(84), 1),
            gpl_supported: bit(marked(84), 5),
            security_word128: word(128).plausible_if(|w| *w != 0xffff, |w| format!("{w:04x}h")),
            sanitize_word59: word(59).absent_if(|w| *w == 0xffff),
        }
    }

    /// The decoded identity; `None` when no page with content arrived.
    pub fn answered(&self) -> bool {
        matches!(
            self.state,
            PageState::Whole | PageState::OverLong { .. } | PageState::Truncated { .. }
        )
    }

    /// Whether a password locks the user data: nothing can be read until it is given.
    /// Bit 2 counts where bit 0 (supported) or bit 1 (enabled) backs it.
    pub fn security_locked(&self) -> Known<bool> {
        self.security_word128
            .clone()
            .map(|w| w & 0b100 != 0 && w & 0b011 != 0)
    }

    /// Bytes that can be addressed now.
    pub fn bytes(&self) -> Known<u64> {
        self.capacity_sectors.clone().then(|sectors| {
            self.logical_sector_bytes.clone().then(|size| {
                match sectors.checked_mul(u64::from(size)) {
                    Some(bytes) => Known::Value(bytes),
                    None => Known::Implausible {
                        raw: format!("{sectors} sectors of {size} bytes"),
                    },
                }
            })
        })
    }

    /// The fields for JSON.
    pub fn fields(&self) -> Fields {
        let mut f = Fields::default();
        f.put("model", &self.model);
        f.put("serial", &self.serial);
        f.put("firmware", &self.firmware);
        f.put("capacity_sectors", &self.capacity_sectors);
        f.put("lba48", &self.lba48);
        f.put("logical_sector_bytes", &self.logical_sector_bytes);
        f.put("physical_sector_bytes", &self.physical_sector_bytes);
        f.put("rotation_rpm", &self.rotation_rpm);
        f.put("wwn", &self.wwn);
        f.put("ata_disk", &self.ata_disk);
        f.put("major_version", &self.major_version);
        f.put("sata_generation", &self.sata_generation);
        f.put("smart_supported", &self.smart_supported);
        f.put("smart_enabled", &self.smart_enabled);
        f.put(
            "host_protected_area_supported",
            &self.host_protected_area_supported,
        );
        f.put(
            "host_protected_area_enabled",
            &self.host_protected_area_enabled,
        );
        f.put("error_log_supported", &self.error_log_supported);
        f.put("self_test_supported", &self.self_test_supported);
        f.put("gpl_supported", &self.gpl_supported);
        f.put("security_word128", &self.security_word128);
        for (n, name) in [
            (0, "security_supported"),
            (1, "security_enabled"),
            (3, "security_frozen"),
            (4, "security_attempts_used_up"),
            (5, "enhanced_erase_supported"),
        ] {
            f.put(name, &bit(self.security_word128.clone(), n));
        }
        f.put("security_locked", &self.security_locked());
        for (n, name) in [
            (12, "sanitize_supported"),
            (13, "sanitize_crypto"),
            (14, "sanitize_overwrite"),
            (15, "sanitize_block"),
        ] {
            f.put(name, &bit(self.sanitize_word59.clone(), n));
        }
        f
    }
}

/// Sectors that the drive has, by the answer to READ NATIVE MAX ADDRESS EXT: the last address, six bytes, the lowest first.
pub fn native_sectors(reply: &Reply) -> Known<u64> {
    match reply {
        Reply::Bytes(bytes) => match <[u8; 6]>::try_from(bytes.as_slice()) {
            Ok([a, b, c, d, e, f]) => {
                let last = u64::from_le_bytes([a, b, c, d, e, f, 0, 0]);
                Known::Value(last + 1).plausible_if(
                    |n| *n > 1 && *n < 1 << 48,
                    |n| format!("{n} sectors in 48 bits"),
                )
            }
            Err(_) => Known::Implausible { raw: hex(bytes) },
        },
        Reply::NotReported => Known::NotReported,
        Reply::Unread(why) => Known::Unread { why: why.clone() },
    }
}

fn capacity(page: &Page<'_>, lba48: &Known<bool>) -> Known<u64> {
    let short = page
        .le32(120)
        .absent_if(|n| *n == 0 || *n == u32::MAX)
        .plausible_if(|n| *n <= 0x0fff_ffff, |n| format!("{n} sectors in 28 bits"))
        .map(u64::from);
    if lba48.get() != Some(true) {
        return short;
    }
    let long = page
        .le64(200)
        .absent_if(|n| *n == 0 || *n == u64::MAX)
        .plausible_if(|n| *n < 1 << 48, |n| format!("{n} sectors in 48 bits"));
    match long {
        Known::NotReported => short,
        long => long,
    }
}

/// 512 bytes unless word 106 (valid, bit 12) points to words 117-118, which count 16-bit words.
fn logical(page: &Page<'_>, size: &Known<u16>) -> Known<u32> {
    match size.get() {
        Some(w) if w >> 12 & 1 == 1 => page.le32(234).then(|words| {
            match words.checked_mul(2) {
                Some(bytes) if (512..=65_536).contains(&bytes) && bytes.is_power_of_two() => {
                    Known::Value(bytes)
                }
                // Sectors of 520 or 528 bytes exist, but nothing here can read them as a file system does.
                Some(bytes) if (512..=4_224).contains(&bytes) => Known::Value(bytes),
                _ => Known::Implausible {
                    raw: format!("{words} words per sector"),
                },
            }
        }),
        _ if page.has_content() => page.le16(212).map(|_| 512),
        _ => page.missing(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::health::field::tests_support::agrees;
    use serde_json::Value;

    const SAMPLE: &[u8; 512] = include_bytes!("../../../tests/fixtures/pages/ata-identify.bin");

    #[test]
    fn fields_agree_with_the_expected_decode() {
        let want = include_str!("../../../tests/fixtures/pages/ata-identify.expected.json");
        let want: Value = serde_json::from_str(want).unwrap();
        let identify = Identify::decode(&Page::of(SAMPLE, BYTES));
        agrees(&identify.fields(), &want, &["checksum_ok", "independent"]);
        assert_eq!(identify.checksum_ok, Known::Value(true));
        assert_eq!(identify.bytes(), Known::Value(1_953_525_168 * 512));
        assert_eq!(identify.security_locked(), Known::Value(false));
    }

    #[test]
    fn locked_is_told_and_an_unmarked_word_83_silences_the_features() {
        let mut bytes = *SAMPLE;
        bytes[256] = 0x07;
        let identify = Identify::decode(&Page::of(&bytes, BYTES));
        assert_eq!(identify.security_locked(), Known::Value(true));
        assert_eq!(identify.checksum_ok, Known::Value(false));
        bytes[167] &= 0x3f;
        let identify = Identify::decode(&Page::of(&bytes, BYTES));
        assert_eq!(identify.smart_supported, Known::NotReported);
        assert_eq!(
            identify.capacity_sectors,
            Known::Value(0x0fff_ffff),
            "falls back to 28 bits"
        );
    }

    #[test]
    fn four_kilobyte_native_sectors() {
        let mut bytes = *SAMPLE;
        bytes[212..214].copy_from_slice(&0x5000u16.to_le_bytes());
        bytes[234..238].copy_from_slice(&2048u32.to_le_bytes());
        let identify = Identify::decode(&Page::of(&bytes, BYTES));
        assert_eq!(identify.logical_sector_bytes, Known::Value(4096));
        assert_eq!(identify.physical_sector_bytes, Known::Value(4096));
    }

    #[test]
    fn rotation_needs_a_defined_code() {
        for (code, want) in [
            (0u16, Known::NotReported),
            (1, Known::Value(0)),
            (0x0400, Known::NotReported),
            (5400, Known::Value(5400)),
            (0xffff, Known::NotReported),
        ] {
            let mut bytes = *SAMPLE;
            bytes[434..436].copy_from_slice(&code.to_le_bytes());
            assert_eq!(
                Identify::decode(&Page::of(&bytes, BYTES)).rotation_rpm,
                want
            );
        }
    }
}
