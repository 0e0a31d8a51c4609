//! NVMe Identify: the controller (CNS 01h) and one namespace (CNS 00h), 4096 bytes each
//! (NVMe Base 2.0, figure 275 and the namespace figure after it, from memory; byte offsets
//! checked against an independent definition of the structures).
//!
//! Invariant: texts are as delivered and trimmed; zero in a field that the standard lets
//! mean "not reported" is not reported.

use super::field::Fields;
use super::page::{Page, Then, hex};
use crate::value::{Counter128, Known};

/// Length of either page in bytes.
pub const BYTES: usize = 4096;

/// The controller.
#[derive(Debug, Clone, PartialEq)]
pub struct Controller {
    /// PCI vendor id.
    pub vid: Known<u16>,
    /// PCI subsystem vendor id.
    pub ssvid: Known<u16>,
    /// Serial number.
    pub serial: Known<String>,
    /// Model number.
    pub model: Known<String>,
    /// Firmware revision.
    pub firmware: Known<String>,
    /// Largest transfer as a power of two of the smallest page; 0 = no limit.
    pub mdts: Known<u8>,
    /// Version of the standard, `0x00MMmmtt`.
    pub version: Known<u32>,
    /// Optional admin commands: bit 1 format, bit 4 self-test.
    pub oacs: Known<u16>,
    /// Log page attributes: bit 0 log 02h per namespace, bit 2 offset and 32-bit length.
    pub lpa: Known<u8>,
    /// Entries in the error log (the 0-based field plus one).
    pub elpe_entries: Known<u16>,
    /// Warning temperature, Kelvin.
    pub wctemp_kelvin: Known<u16>,
    /// Critical temperature, Kelvin.
    pub cctemp_kelvin: Known<u16>,
    /// Total bytes of the subsystem.
    pub tnvmcap: Known<Counter128>,
    /// Bytes not given to any namespace (offset from memory).
    pub unvmcap: Known<Counter128>,
    /// Minutes an extended self-test takes.
    pub edstt_minutes: Known<u16>,
    /// Sanitize capabilities: bit 0 crypto, 1 block, 2 overwrite.
    pub sanicap: Known<u32>,
    /// Highest namespace count.
    pub nn: Known<u32>,
}

impl Controller {
    /// Decodes the page.
    pub fn decode(page: &Page<'_>) -> Self {
        let kelvin = |at| page.le16(at).absent_if(|k| *k == 0);
        Self {
            vid: page.le16(0),
            ssvid: page.le16(2),
            serial: page.text(4, 20),
            model: page.text(24, 40),
            firmware: page.text(64, 8),
            mdts: page.byte(77),
            version: page.le32(80).absent_if(|v| *v == 0),
            oacs: page.le16(256),
            lpa: page.byte(261),
            elpe_entries: page.byte(262).map(|n| u16::from(n) + 1),
            wctemp_kelvin: kelvin(266),
            cctemp_kelvin: kelvin(268),
            tnvmcap: page.le128(280).absent_if(|n| *n == 0).map(Counter128),
            unvmcap: page.le128(296).map(Counter128),
            edstt_minutes: page.le16(316).absent_if(|m| *m == 0),
            sanicap: page.le32(328),
            nn: page.le32(516).absent_if(|n| *n == 0),
        }
    }

    /// The fields for JSON.
    pub fn fields(&self) -> Fields {
        let mut f = Fields::default();
        let bit16 = |word: &Known<u16>, bit: u32| word.clone().map(|w| w >> bit & 1 == 1);
        let bit32 = |word: &Known<u32>, bit: u32| word.clone().map(|w| w >> bit & 1 == 1);
        f.put("model", &self.model);
        f.put("serial", &self.serial);
        f.put("firmware", &self.firmware);
        f.put("vid", &self.vid);
        f.put("ssvid", &self.ssvid);
        f.put("mdts", &self.mdts);
        f.put(
            "version",
            &self.version.clone().map(|v| format!("0x{v:08x}")),
        );
        f.put("oacs", &self.oacs);
        f.put("self_test_supported", &bit16(&self.oacs, 4));
        f.put("format_supported", &bit16(&self.oacs, 1));
        f.put("lpa", &self.lpa);
        f.put("smart_per_namespace", &self.lpa.clone().map(|l| l & 1 == 1));
        f.put(
            "log_page_offset_supported",
            &self.lpa.clone().map(|l| l & 4 == 4),
        );
        f.put("elpe_entries", &self.elpe_entries);
        f.put("wctemp_kelvin", &self.wctemp_kelvin);
        f.put("cctemp_kelvin", &self.cctemp_kelvin);
        f.put("tnvmcap", &self.tnvmcap);
        f.put("unvmcap", &self.unvmcap);
        f.put("edstt_minutes", &self.edstt_minutes);
        f.put("sanicap", &self.sanicap);
        f.put("sanitize_crypto", &bit32(&self.sanicap, 0));
        f.put("sanitize_block", &bit32(&self.sanicap, 1));
        f.put("sanitize_overwrite", &bit32(&self.sanicap, 2));
        f.put("nn", &self.nn);
        f
    }
}

/// One namespace: what the host sees as the drive's sectors.
#[derive(Debug, Clone, PartialEq)]
pub struct Namespace {
    /// Size in logical blocks.
    pub nsze: Known<u64>,
    /// Capacity in logical blocks.
    pub ncap: Known<u64>,
    /// Blocks in use, where thin provisioning tells.
    pub nuse: Known<u64>,
    /// Index of the format in use.
    pub lba_format_index: Known<u8>,
    /// Bytes of one logical block.
    pub lba_data_bytes: Known<u32>,
    /// Globally unique id, 32 hex digits.
    pub nguid: Known<String>,
    /// Extended unique id, 16 hex digits.
    pub eui64: Known<String>,
}

impl Namespace {
    /// Decodes the page.
    pub fn decode(page: &Page<'_>) -> Self {
        let index = page.byte(26).map(|flbas| flbas & 0x0f);
        let lba_data_bytes = index.clone().then(|index| {
            page.byte(128 + usize::from(index) * 4 + 2)
                .then(|exponent| match exponent {
                    0 => Known::NotReported,
                    // 512 bytes is the least that the standard allows; 64 KiB the most in sight.
                    9..=16 => Known::Value(1u32 << exponent),
                    _ => Known::Implausible {
                        raw: format!("block size exponent {exponent}, expected 9 to 16"),
                    },
                })
        });
        Self {
            nsze: page.le64(0).absent_if(|n| *n == 0),
            ncap: page.le64(8).absent_if(|n| *n == 0),
            nuse: page.le64(16),
            lba_format_index: index,
            lba_data_bytes,
            nguid: id(page.array::<16>(104)),
            eui64: id(page.array::<8>(120)),
        }
    }

    /// Bytes that the namespace spans.
    pub fn bytes(&self) -> Known<u64> {
        self.nsze.clone().then(|blocks| {
            self.lba_data_bytes
                .clone()
                .then(|size| match blocks.checked_mul(u64::from(size)) {
                    Some(bytes) => Known::Value(bytes),
                    None => Known::Implausible {
                        raw: format!("{blocks} blocks of {size} bytes"),
                    },
                })
        })
    }

    /// The fields for JSON.
    pub fn fields(&self) -> Fields {
        let mut f = Fields::default();
        f.put("nsze", &self.nsze);
        f.put("ncap", &self.ncap);
        f.put("nuse", &self.nuse);
        f.put("lba_format_index", &self.lba_format_index);
        f.put("lba_data_bytes", &self.lba_data_bytes);
        f.put("nguid", &self.nguid);
        f.put("eui64", &self.eui64);
        f
    }
}

fn id<const N: usize>(raw: Known<[u8; N]>) -> Known<String> {
    raw.absent_if(|b| b.iter().all(|x| *x == 0) || b.iter().all(|x| *x == 0xff))
        .map(|b| hex(&b))
}

/// How many namespaces are active: the list ends at its first zero (NVMe Base 1.4, 5.15.2.2).
pub fn active(page: &Page<'_>) -> Known<u32> {
    let listed = (0..BYTES / 4).map(|n| page.le32(n * 4).get().unwrap_or(0));
    page.le32(0).absent_if(|first| *first == 0).map(|_| {
        let count = listed.take_while(|number| *number != 0).count();
        u32::try_from(count).unwrap_or(u32::MAX)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::health::field::tests_support::agrees;

    #[test]
    fn controller_agrees_with_an_independent_decoder() {
        let bytes = include_bytes!("../../../tests/fixtures/pages/nvme-identify-controller.bin");
        let want =
            include_str!("../../../tests/fixtures/pages/nvme-identify-controller.expected.json");
        let got = Controller::decode(&Page::of(bytes, BYTES)).fields();
        agrees(&got, &serde_json::from_str(want).unwrap(), &[]);
    }

    #[test]
    fn namespace_size_follows_the_format_in_use() {
        let mut bytes = vec![0u8; BYTES];
        bytes[0..8].copy_from_slice(&1_000u64.to_le_bytes());
        bytes[26] = 0x11;
        bytes[128 + 2] = 9;
        bytes[128 + 4 + 2] = 12;
        bytes[104] = 0xab;
        let ns = Namespace::decode(&Page::of(&bytes, BYTES));
        assert_eq!(ns.lba_data_bytes, Known::Value(4096));
        assert_eq!(ns.bytes(), Known::Value(4_096_000));
        assert_eq!(
            ns.nguid,
            Known::Value("ab000000000000000000000000000000".into())
        );
        assert_eq!(ns.eui64, Known::NotReported);
        bytes[128 + 4 + 2] = 77;
        let ns = Namespace::decode(&Page::of(&bytes, BYTES));
        assert!(matches!(ns.bytes(), Known::Implausible { .. }));
    }
}
