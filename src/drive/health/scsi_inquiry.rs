//! SCSI INQUIRY: standard data and vital product data pages 00h, 80h, 83h, 89h and B1h
//! (SPC-4, 6.4 and 7.8; SAT for 89h; page 83h from memory).
//!
//! Invariant: what an adapter says of itself is kept apart from what the drive says.

use super::ata_identify::{self, Identify};
use super::field::Fields;
use super::page::{Page, Then, hex};
use crate::value::Known;

/// Standard data.
#[derive(Debug, Clone, PartialEq)]
pub struct Inquiry {
    /// Peripheral device type; 0 = block device.
    pub peripheral_device_type: Known<u8>,
    /// Removable medium.
    pub removable: Known<bool>,
    /// Vendor, at most 8 characters ("ATA" = a translation layer speaks).
    pub vendor: Known<String>,
    /// Product, at most 16 characters.
    pub product: Known<String>,
    /// Revision, at most 4 characters.
    pub revision: Known<String>,
}

impl Inquiry {
    /// Decodes the page.
    pub fn decode(page: &Page<'_>) -> Self {
        Self {
            peripheral_device_type: page.byte(0).map(|b| b & 0x1f),
            removable: page.byte(1).map(|b| b & 0x80 != 0),
            vendor: page.text(8, 8),
            product: page.text(16, 16),
            revision: page.text(32, 4),
        }
    }

    /// Whether a translation layer for ATA speaks.
    pub fn translates_ata(&self) -> bool {
        self.vendor.value().is_some_and(|v| v == "ATA")
    }
}

/// Vital product data.
#[derive(Debug, Clone, PartialEq)]
pub struct Vpd {
    /// Page 00h: numbers of the pages that exist.
    pub supported_pages: Known<Vec<u8>>,
    /// Page 80h.
    pub serial: Known<String>,
    /// Page 83h: the NAA or EUI-64 name of the logical unit, hex.
    pub world_wide_name: Known<String>,
    /// Page 89h: IDENTIFY as the translation layer holds it (it may be an old copy, so it
    /// serves identity only).
    pub ata_information: Option<Identify>,
    /// Page B1h: revolutions per minute, 0 = not rotating.
    pub rotation_rpm: Known<u32>,
    /// Page B1h: nominal form factor code.
    pub form_factor: Known<u8>,
}

/// The data of a page whose header names it; a page that answers for another number is no answer.
fn data<'a>(number: u8, page: &Page<'a>) -> Known<&'a [u8]> {
    page.byte(1).then(|got| {
        if got != number {
            return Known::Implausible {
                raw: format!("page {got:02x}h came back where page {number:02x}h was asked for"),
            };
        }
        page.be16(2).then(|length| {
            let content = page.content();
            let end = (4 + usize::from(length)).min(content.len());
            match content.get(4..end) {
                Some(data) => Known::Value(data),
                None => page.missing(),
            }
        })
    })
}

impl Vpd {
    /// Decodes the pages; each may be absent.
    pub fn decode(
        list: &Page<'_>,
        serial: &Page<'_>,
        ids: &Page<'_>,
        ata: &Page<'_>,
        block: &Page<'_>,
    ) -> Self {
        let rotation = data(0xb1, block).then(|d| match d {
            [high, low, ..] => match u16::from_be_bytes([*high, *low]) {
                1 => Known::Value(0),
                rpm @ 0x0401..=0xfffe => Known::Value(u32::from(rpm)),
                _ => Known::NotReported,
            },
            _ => Known::NotReported,
        });
        Self {
            supported_pages: supported_pages(list),
            serial: data(0x80, serial).then(|d| Page::at_least(d, 1).text(0, d.len())),
            world_wide_name: data(0x83, ids).then(name),
            ata_information: data(0x89, ata)
                .value()
                .and_then(|_| ata.slice(60, ata_identify::BYTES).value().copied())
                .map(|bytes| Identify::decode(&Page::of(bytes, ata_identify::BYTES))),
            rotation_rpm: rotation,
            form_factor: data(0xb1, block).then(|d| match d.get(3) {
                Some(byte) if byte & 0x0f != 0 => Known::Value(byte & 0x0f),
                _ => Known::NotReported,
            }),
        }
    }
}

/// Page 00h: numbers of the pages that exist.
pub fn supported_pages(list: &Page<'_>) -> Known<Vec<u8>> {
    // The list page's own number is 0, so a short list may be all zeros but for its length.
    data(0x00, list).map(<[u8]>::to_vec)
}

/// The first binary NAA (type 3) or EUI-64 (type 2) name of the logical unit.
fn name(mut list: &[u8]) -> Known<String> {
    let mut eui = None;
    while let [codes, kind, _, length, rest @ ..] = list {
        let Some(id) = rest.get(..usize::from(*length)) else {
            break;
        };
        let of_unit = kind >> 4 & 0x03 == 0;
        if of_unit && codes & 0x0f == 1 && !id.is_empty() && id.iter().any(|b| *b != 0) {
            match kind & 0x0f {
                3 => return Known::Value(hex(id)),
                2 => eui = eui.or(Some(hex(id))),
                _ => {}
            }
        }
        list = rest.get(usize::from(*length)..).unwrap_or_default();
    }
    eui.map_or(Known::NotReported, Known::Value)
}

/// The fields for JSON.
pub fn fields(inquiry: &Inquiry, vpd: &Vpd) -> Fields {
    let mut f = Fields::default();
    f.put("peripheral_device_type", &inquiry.peripheral_device_type);
    f.put("removable_medium", &inquiry.removable);
    f.put("t10_vendor_identification", &inquiry.vendor);
    f.put("product_identification", &inquiry.product);
    f.put("product_revision_level", &inquiry.revision);
    f.put("supported_vpd_pages", &vpd.supported_pages);
    f.put("product_serial_number", &vpd.serial);
    f.put("designator", &vpd.world_wide_name);
    f.put("medium_rotation_rate", &vpd.rotation_rpm);
    f.put("nominal_form_factor", &vpd.form_factor);
    if let Some(identify) = &vpd.ata_information {
        f.nest("ata_information", identify.fields());
    }
    f
}

#[cfg(test)]
mod tests {
    use super::*;

    fn standard() -> Vec<u8> {
        let mut bytes = vec![0, 0x80, 6, 2, 31, 0, 0, 0];
        bytes.extend(b"ATA     ");
        bytes.extend(b"EXAMPLE SATA 1TB");
        bytes.extend(b"AB12");
        bytes
    }

    fn vpd(number: u8, data: &[u8]) -> Vec<u8> {
        let mut page = vec![0, number];
        page.extend((data.len() as u16).to_be_bytes());
        page.extend(data);
        page
    }

    fn decode(pages: [&[u8]; 5]) -> Vpd {
        let [a, b, c, d, e] = pages.map(|bytes| Page::at_least(bytes, 4));
        Vpd::decode(&a, &b, &c, &d, &e)
    }

    #[test]
    fn standard_data_by_its_published_offsets() {
        let inquiry = Inquiry::decode(&Page::at_least(&standard(), 36));
        assert!(inquiry.translates_ata());
        assert_eq!(inquiry.product, Known::Value("EXAMPLE SATA 1TB".into()));
        assert_eq!(inquiry.revision, Known::Value("AB12".into()));
        assert_eq!(inquiry.removable, Known::Value(true));
    }

    #[test]
    fn vital_product_data_by_their_published_offsets() {
        let identify = include_bytes!("../../../tests/fixtures/pages/ata-identify.bin");
        let mut sat = vec![0; 56];
        sat[52] = 0xec;
        sat.extend(identify);
        let naa = [1, 3, 0, 8, 0x50, 0, 0xc5, 0, 0x12, 0x34, 0xab, 0xcd];
        let mut ids = vec![2, 1, 0, 4, b'A', b'B', b'C', b'D'];
        ids.extend(naa);
        let got = decode([
            &vpd(0, &[0, 0x80, 0x83, 0x89, 0xb1]),
            &vpd(0x80, b"  SYNTH-0002"),
            &vpd(0x83, &ids),
            &vpd(0x89, &sat),
            &vpd(0xb1, &[0x1c, 0x20, 0, 2]),
        ]);
        assert_eq!(got.supported_pages.value().unwrap().len(), 5);
        assert_eq!(got.serial, Known::Value("SYNTH-0002".into()));
        assert_eq!(got.world_wide_name, Known::Value("5000c5001234abcd".into()));
        assert_eq!(got.rotation_rpm, Known::Value(7200));
        assert_eq!(got.form_factor, Known::Value(2));
        let model = got.ata_information.unwrap().model;
        assert_eq!(model, Known::Value("EXAMPLE SATA 1TB".into()));
    }

    #[test]
    fn a_page_that_answers_for_another_is_no_answer() {
        let got = decode([
            &[],
            &vpd(0x83, b"SYNTH"),
            &vpd(0x80, &[1, 3]),
            &[0; 8],
            &vpd(0xb1, &[]),
        ]);
        assert!(matches!(got.serial, Known::Implausible { .. }));
        assert!(got.world_wide_name.value().is_none());
        assert_eq!(got.rotation_rpm, Known::NotReported);
        assert!(got.ata_information.is_none());
    }
}
