//! SCSI sense data, descriptor (72h/73h) and fixed (70h/71h) format (SPC-4, 4.5), and the
//! ATA registers that a translation layer puts into it (SAT; fixed-format places from memory).
//!
//! Invariant: the drive's verdict is taken only from an answer that surely carries
//! registers; everything else is "could not be read", with the reason.

use super::ata_smart::{self, Status};
use crate::value::Known;

/// The layout of the sense bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// 72h, 73h.
    Descriptor,
    /// 70h, 71h.
    Fixed,
}

/// The ATA registers after a pass-through command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Registers {
    /// Error register; bit 2 = aborted.
    pub error: u8,
    /// Status register; bit 0 = error.
    pub status: u8,
    /// Device register.
    pub device: u8,
    /// Count register; only the low byte in fixed format.
    pub count: u16,
    /// Address, 48 bits; only the low 24 in fixed format.
    pub lba: u64,
}

impl Registers {
    /// LBA bits 15:8.
    pub fn lba_mid(&self) -> u8 {
        (self.lba >> 8 & 0xff) as u8
    }

    /// LBA bits 23:16.
    pub fn lba_high(&self) -> u8 {
        (self.lba >> 16 & 0xff) as u8
    }
}

/// Decoded sense data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sense {
    /// Layout.
    pub format: Format,
    /// 71h/73h: about an earlier command.
    pub deferred: bool,
    /// Sense key.
    pub key: u8,
    /// Additional sense code.
    pub asc: u8,
    /// Its qualifier.
    pub ascq: u8,
    /// Information field (for a medium error the first bad block), where valid.
    pub information: Option<u64>,
    /// ATA registers, where the answer carries them at a place that can be trusted.
    pub registers: Option<Registers>,
}

impl Sense {
    /// Decodes sense bytes; `None` = none came, or of no defined format.
    pub fn decode(bytes: &[u8]) -> Option<Self> {
        let code = bytes.first()? & 0x7f;
        let deferred = code & 1 == 1;
        let byte = |n: usize| bytes.get(n).copied();
        match code {
            0x72 | 0x73 => {
                let mut sense = Self {
                    format: Format::Descriptor,
                    deferred,
                    key: byte(1)? & 0x0f,
                    asc: byte(2)?,
                    ascq: byte(3)?,
                    information: None,
                    registers: None,
                };
                sense.walk(bytes);
                Some(sense)
            }
            0x70 | 0x71 => {
                let (key, asc, ascq) = (
                    byte(2)? & 0x0f,
                    byte(12).unwrap_or(0),
                    byte(13).unwrap_or(0),
                );
                let registers = match bytes.get(3..12) {
                    // Only this triple promises registers; a kernel is known to put those of a
                    // failed command elsewhere.
                    Some(&[error, status, device, count, _, _, low, mid, high])
                        if (key, asc, ascq) == (0x01, 0x00, 0x1d) =>
                    {
                        Some(Registers {
                            error,
                            status,
                            device,
                            count: u16::from(count),
                            lba: u64::from(low) | u64::from(mid) << 8 | u64::from(high) << 16,
                        })
                    }
                    _ => None,
                };
                let information = match bytes.get(..7) {
                    Some(&[head, _, _, a, b, c, d]) if head & 0x80 != 0 => {
                        Some(u64::from(u32::from_be_bytes([a, b, c, d])))
                    }
                    _ => None,
                };
                Some(Self {
                    format: Format::Fixed,
                    deferred,
                    key,
                    asc,
                    ascq,
                    information,
                    registers,
                })
            }
            _ => None,
        }
    }

    /// Walks the descriptor list; neither descriptor need come first.
    fn walk(&mut self, bytes: &[u8]) {
        let told = 8 + usize::from(bytes.get(7).copied().unwrap_or(0));
        let end = told.min(bytes.len());
        let mut at = 8;
        while let (Some(&kind), Some(&length)) = (bytes.get(at), bytes.get(at + 1)) {
            let next = at + 2 + usize::from(length);
            let Some(d) = bytes.get(at..next).filter(|_| next <= end) else {
                return;
            };
            match (kind, d) {
                (
                    0x09,
                    &[
                        _,
                        0x0c,
                        _,
                        error,
                        ch,
                        cl,
                        l3,
                        l0,
                        l4,
                        l1,
                        l5,
                        l2,
                        device,
                        status,
                    ],
                ) => {
                    self.registers = Some(Registers {
                        error,
                        status,
                        device,
                        count: u16::from_be_bytes([ch, cl]),
                        lba: u64::from_le_bytes([l0, l1, l2, l3, l4, l5, 0, 0]),
                    });
                }
                (0x00, &[_, _, flags, _, a, b, c, d, e, f, g, h]) if flags & 0x80 != 0 => {
                    self.information = Some(u64::from_be_bytes([a, b, c, d, e, f, g, h]));
                }
                _ => {}
            }
            at = next;
        }
    }

    /// "sense KK/AA/QQ", as recorded replies write a refusal.
    pub fn triple(&self) -> String {
        format!("sense {:02X}/{:02X}/{:02X}", self.key, self.asc, self.ascq)
    }

    /// What a refusal means, in words.
    pub fn meaning(&self) -> String {
        let words = meaning_of(self.key, self.asc, self.ascq);
        format!("{} ({words})", self.triple())
    }
}

/// A reason that ends in a bare "sense KK/AA/QQ", with what that means.
pub fn with_meaning(why: &str) -> String {
    let triple = why.rsplit_once("sense ").map(|(_, triple)| triple);
    let mut parts = triple.into_iter().flat_map(|triple| triple.split('/'));
    let mut byte = || u8::from_str_radix(parts.next()?, 16).ok();
    match (byte(), byte(), byte(), parts.next()) {
        (Some(key), Some(asc), Some(ascq), None) => {
            format!("{why} ({})", meaning_of(key, asc, ascq))
        }
        _ => why.to_owned(),
    }
}

fn meaning_of(key: u8, asc: u8, ascq: u8) -> &'static str {
    match (key, asc, ascq) {
        (5, 0x20, 0) => "pass-through refused: invalid operation code",
        (5, 0x24, 0) => {
            "pass-through refused: invalid field (by the adapter, or by the kernel on its behalf)"
        }
        (0x0b, _, _) => "the drive aborted the command",
        (3, _, _) => "medium error",
        (2, _, _) => "the drive is not ready",
        (4, _, _) => "hardware error",
        (5, _, _) => "the request was refused",
        (6, _, _) => "the drive was reset or changed",
        _ => "no usable answer",
    }
}

/// The two bytes (LBA mid, LBA high) that RETURN STATUS answered, taken out of the sense
/// bytes of a pass-through command that asked for its registers. `Err` says why there are none.
pub fn return_status_bytes(sense: &[u8]) -> Result<[u8; 2], String> {
    if sense.is_empty() {
        return Err("good status and no sense although the registers were asked for: the adapter drops them".to_owned());
    }
    let Some(decoded) = Sense::decode(sense) else {
        return Err("sense data of no defined format".to_owned());
    };
    let Some(registers) = decoded.registers else {
        return Err(decoded.meaning());
    };
    if decoded.deferred {
        return Err(format!("{} speaks of an earlier command", decoded.triple()));
    }
    if decoded.key > 1 || registers.status & 0x01 != 0 {
        return Err(format!(
            "{} (the drive aborted the command)",
            decoded.triple()
        ));
    }
    let answer = [registers.lba_mid(), registers.lba_high()];
    match ata_smart::status(&answer) {
        Known::Value(_) => Ok(answer),
        _ => Err(format!(
            "LBA mid and high carry neither signature ({:02x}h {:02x}h): the adapter truncates them",
            answer[0], answer[1]
        )),
    }
}

/// The drive's verdict in such sense bytes.
pub fn return_status(sense: &[u8]) -> Known<Status> {
    match return_status_bytes(sense) {
        Ok(answer) => ata_smart::status(&answer),
        Err(why) => Known::Unread { why },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    fn unhex(text: &str) -> Vec<u8> {
        (0..text.len())
            .step_by(2)
            .map(|n| u8::from_str_radix(&text[n..n + 2], 16).unwrap())
            .collect()
    }

    #[test]
    fn all_sense_cases_come_out_as_expected() {
        let all = include_str!("../../../tests/fixtures/pages/sense-samples.expected.json");
        let all: Value = serde_json::from_str(all).unwrap();
        for case in all["cases"].as_array().unwrap() {
            let name = case["name"].as_str().unwrap();
            let bytes = unhex(case["sense_hex"].as_str().unwrap());
            let want = &case["expect"];
            let sense = Sense::decode(&bytes);
            match want["format"].as_str().unwrap() {
                "descriptor" => assert_eq!(sense.unwrap().format, Format::Descriptor, "{name}"),
                "fixed" => assert_eq!(sense.unwrap().format, Format::Fixed, "{name}"),
                _ => assert_eq!(sense, None, "{name}"),
            }
            if let Some(registers) = want.get("registers").and_then(Value::as_object) {
                let got = sense.unwrap().registers.unwrap();
                for (field, value) in registers {
                    let got = match field.as_str() {
                        "error" => json!(got.error),
                        "status" => json!(got.status),
                        "device" => json!(got.device),
                        "count" => json!(got.count),
                        _ => json!(got.lba),
                    };
                    assert_eq!(got, *value, "{name} {field}");
                }
            }
            if let Some(lba) = want.get("information_lba") {
                let sense = sense.unwrap();
                assert_eq!(json!(sense.information), *lba);
                assert_eq!(json!(sense.key), want["sense_key"]);
                assert_eq!(json!(sense.asc), want["asc"]);
                assert_eq!(json!(sense.ascq), want["ascq"]);
            }
            match want["overall"].as_str() {
                Some("passed") => {
                    assert_eq!(
                        return_status(&bytes),
                        Known::Value(Status::NoLimitCrossed),
                        "{name}"
                    );
                }
                Some("failed") => {
                    assert_eq!(
                        return_status(&bytes),
                        Known::Value(Status::LimitCrossed),
                        "{name}"
                    );
                }
                _ => assert!(
                    matches!(return_status(&bytes), Known::Unread { .. }),
                    "{name}"
                ),
            }
        }
    }

    #[test]
    fn registers_of_a_failed_command_in_fixed_format_are_not_believed() {
        // Key 0Bh with the pass signature where a verdict would stand.
        let mut bytes = unhex("700001005040000a00004fc2001d00000000");
        bytes[2] = 0x0b;
        assert!(matches!(return_status(&bytes), Known::Unread { .. }));
        bytes[2] = 0x01;
        bytes[13] = 0;
        assert!(matches!(return_status(&bytes), Known::Unread { .. }));
    }

    #[test]
    fn refusals_are_named_as_recordings_write_them() {
        let sense = Sense::decode(&unhex("700005000000000a00000000200000000000")).unwrap();
        assert_eq!(sense.triple(), "sense 05/20/00");
    }

    #[test]
    fn a_descriptor_that_overruns_the_answer_ends_the_walk() {
        let bytes = unhex("7201001d0000000e090cff00");
        assert_eq!(Sense::decode(&bytes).unwrap().registers, None);
    }
}
