//! NVMe logs of what happened: 01h error information, 06h self-test, 81h sanitize status
//! (NVMe Base 1.4, figures 189 to 198, from memory; offsets checked against an independent
//! definition of the structures).
//!
//! Invariant: an unused place is no entry, and a field whose valid bit is clear has no value.

use super::field::Fields;
use super::page::{Page, Then};
use crate::value::Known;
use serde_json::{Value, json};

/// Bytes of log 06h.
pub const SELF_TEST_BYTES: usize = 564;
/// Bytes of one entry of log 01h.
pub const ERROR_ENTRY_BYTES: usize = 64;

/// One entry of log 01h.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ErrorEntry {
    /// Number of this error over the drive's life; never 0.
    pub error_count: u64,
    /// Submission queue.
    pub sqid: u16,
    /// Command id.
    pub cmdid: u16,
    /// Status with the phase tag in bit 0.
    pub status_field: u16,
    /// Byte and bit of the command that was refused; FFFFh = none.
    pub param_error_location: u16,
    /// First block concerned.
    pub lba: u64,
    /// Namespace.
    pub nsid: u32,
}

impl ErrorEntry {
    /// Status code, bits 8:1.
    pub fn status_code(&self) -> u8 {
        (self.status_field >> 1 & 0xff) as u8
    }

    /// Status code type, bits 11:9.
    pub fn status_code_type(&self) -> u8 {
        (self.status_field >> 9 & 0x07) as u8
    }

    /// Unrecovered read error: type 2 (media), code 81h.
    pub fn media_read_error(&self) -> bool {
        (self.status_code_type(), self.status_code()) == (2, 0x81)
    }

    fn json(&self) -> Value {
        json!({
            "error_count": self.error_count, "sqid": self.sqid, "cmdid": self.cmdid,
            "status_field": self.status_field, "phase_tag": self.status_field & 1,
            "status_code": self.status_code(), "status_code_type": self.status_code_type(),
            "do_not_retry": self.status_field >> 15 == 1,
            "param_error_location": self.param_error_location, "lba": self.lba, "nsid": self.nsid,
        })
    }
}

/// Log 01h, newest first; an entry with count 0 is unused and ends the list.
pub fn errors(page: &Page<'_>) -> Known<Vec<ErrorEntry>> {
    if !page.has_content() {
        return page.missing();
    }
    let mut entries = Vec::new();
    for n in 0..page.content().len() / ERROR_ENTRY_BYTES {
        let at = n * ERROR_ENTRY_BYTES;
        let (
            Some(error_count),
            Some(sqid),
            Some(cmdid),
            Some(status_field),
            Some(place),
            Some(lba),
            Some(nsid),
        ) = (
            page.le64(at).get(),
            page.le16(at + 8).get(),
            page.le16(at + 10).get(),
            page.le16(at + 12).get(),
            page.le16(at + 14).get(),
            page.le64(at + 16).get(),
            page.le32(at + 24).get(),
        )
        else {
            break;
        };
        if error_count == 0 {
            break;
        }
        entries.push(ErrorEntry {
            error_count,
            sqid,
            cmdid,
            status_field,
            param_error_location: place,
            lba,
            nsid,
        });
    }
    Known::Value(entries)
}

/// Log 01h for JSON, under `error_information`.
pub fn error_fields(entries: &Known<Vec<ErrorEntry>>) -> Fields {
    let mut f = Fields::default();
    let rows = entries
        .clone()
        .map(|entries| entries.iter().map(ErrorEntry::json).collect::<Vec<_>>());
    f.put("error_information", &rows);
    f
}

/// One result of log 06h.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SelfTestResult {
    /// Place in the log, 0 = newest.
    pub slot: u8,
    /// 1 short, 2 extended, Eh vendor's own.
    pub test_code: u8,
    /// 0 nothing found; 5 fatal; 6, 7 failed; 1-4, 8, 9 not finished.
    pub result: u8,
    /// First failing segment, only for result 7.
    pub segment: Option<u8>,
    /// Hours powered on when it ended.
    pub power_on_hours: u64,
    /// Namespace, where valid.
    pub nsid: Option<u32>,
    /// First failing block, where valid.
    pub failing_lba: Option<u64>,
    /// Status code type, where valid.
    pub sct: Option<u8>,
    /// Status code, where valid.
    pub sc: Option<u8>,
}

impl SelfTestResult {
    fn json(&self) -> Value {
        json!({
            "slot": self.slot, "test_code": self.test_code, "result": self.result,
            "segment": self.segment, "power_on_hours": self.power_on_hours, "nsid": self.nsid,
            "failing_lba": self.failing_lba, "sct": self.sct, "sc": self.sc,
        })
    }
}

/// Log 06h.
#[derive(Debug, Clone, PartialEq)]
pub struct SelfTests {
    /// Running test: 0 none, 1 short, 2 extended, Eh vendor's own.
    pub current_operation: Known<u8>,
    /// Percent done of the running one.
    pub completion_percent: Known<u8>,
    /// Results, newest first, unused places left out.
    pub results: Known<Vec<SelfTestResult>>,
}

impl SelfTests {
    /// Decodes the page.
    pub fn decode(page: &Page<'_>) -> Self {
        let results = if page.has_content() {
            Known::Value((0..20).filter_map(|slot| result(page, slot)).collect())
        } else {
            page.missing()
        };
        Self {
            current_operation: page.byte(0).map(|b| b & 0x0f),
            completion_percent: page
                .byte(1)
                .map(|b| b & 0x7f)
                .plausible_if(|p| *p <= 100, |p| format!("{p} percent")),
            results,
        }
    }

    /// The fields for JSON.
    pub fn fields(&self) -> Fields {
        let mut f = Fields::default();
        f.put("current_operation", &self.current_operation);
        f.put("completion_percent", &self.completion_percent);
        let rows = self
            .results
            .clone()
            .map(|rows| rows.iter().map(SelfTestResult::json).collect::<Vec<_>>());
        f.put("results", &rows);
        f
    }
}

fn result(page: &Page<'_>, slot: u8) -> Option<SelfTestResult> {
    let at = 4 + usize::from(slot) * 28;
    let head = page.byte(at).get()?;
    let (test_code, result) = (head >> 4, head & 0x0f);
    // Fh = place not used; test code 0 is no test, so an all-zero place is none either.
    if result == 0x0f || test_code == 0 {
        return None;
    }
    let valid = page.byte(at + 2).get()?;
    let when = |bit: u8| (valid >> bit & 1 == 1).then_some(());
    let power_on_hours = page.le64(at + 4).get()?;
    let (nsid, lba) = (page.le32(at + 12).get()?, page.le64(at + 16).get()?);
    let (sct, sc) = (page.byte(at + 24).get()?, page.byte(at + 25).get()?);
    Some(SelfTestResult {
        slot,
        test_code,
        result,
        segment: (result == 7).then_some(page.byte(at + 1).get()?),
        power_on_hours,
        nsid: when(0).map(|()| nsid),
        failing_lba: when(1).map(|()| lba),
        sct: when(2).map(|()| sct),
        sc: when(3).map(|()| sc),
    })
}

/// Log 81h: state of an erase by the drive itself (bits 2:0 of the word at 2).
/// 0 never, 1 done, 2 running, 3 failed, 4 done without deallocation.
pub fn sanitize_state(page: &Page<'_>) -> Known<u8> {
    page.le16(2).map(|word| (word & 0x07) as u8).plausible_if(
        |state| *state <= 4,
        |state| format!("sanitize status {state}, expected 0 to 4"),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::health::field::tests_support::agrees;

    #[test]
    fn error_log_agrees_with_an_independent_decoder() {
        let bytes = include_bytes!("../../../tests/fixtures/pages/nvme-log01.bin");
        let want = include_str!("../../../tests/fixtures/pages/nvme-log01.expected.json");
        let want: Vec<Value> = serde_json::from_str(want).unwrap();
        let got = errors(&Page::at_least(bytes, 64)).value().cloned().unwrap();
        let used: Vec<&Value> = want.iter().filter(|w| w["used"] == true).collect();
        assert_eq!(got.len(), used.len());
        for (got, want) in got.iter().zip(used) {
            let got = got.json();
            for (name, value) in want.as_object().unwrap() {
                assert!(name == "used" || got[name] == *value, "{name}");
            }
        }
        assert!(got[0].media_read_error() && !got[1].media_read_error());
    }

    #[test]
    fn self_test_log_agrees_with_an_independent_decoder() {
        let bytes = include_bytes!("../../../tests/fixtures/pages/nvme-log06.bin");
        let want = include_str!("../../../tests/fixtures/pages/nvme-log06.expected.json");
        let got = SelfTests::decode(&Page::of(bytes, SELF_TEST_BYTES)).fields();
        agrees(&got, &serde_json::from_str(want).unwrap(), &[]);
    }

    #[test]
    fn sanitize_state_is_the_low_three_bits() {
        let page = [0u8, 0, 0x02, 0x01];
        assert_eq!(sanitize_state(&Page::at_least(&page, 4)), Known::Value(2));
        let page = [0u8, 0, 0x07, 0];
        assert!(matches!(
            sanitize_state(&Page::at_least(&page, 4)),
            Known::Implausible { .. }
        ));
    }
}
