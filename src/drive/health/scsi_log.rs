//! SCSI LOG SENSE pages (SPC-4, 7.3; SBC-3; parameter layouts as a drive maker's command
//! manual prints them): 00h list, 02h/03h/05h errors, 0Dh temperature, 0Eh start-stop, 10h
//! self-test, 11h solid state, 2Fh informational exceptions.
//!
//! Invariant: parameters are walked by their own lengths; one that runs beyond the answer ends the walk.

use super::field::Fields;
use super::page::{Page, Then};
use crate::value::Known;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// One log page as parameters.
#[derive(Debug, Clone, PartialEq)]
pub struct LogPage {
    /// Parameter code to its value bytes; of two with one code the first stays.
    pub parameters: BTreeMap<u16, Vec<u8>>,
    /// Whether every parameter that the header promises was delivered.
    pub whole: bool,
}

/// Walks the parameters of the page with the number that was asked for.
pub fn parameters(number: u8, page: &Page<'_>) -> Known<LogPage> {
    header(number, page).map(|(mut list, promised)| {
        let mut found = BTreeMap::new();
        let mut whole = list.len() == promised;
        while !list.is_empty() {
            let [c1, c0, _, length, rest @ ..] = list else {
                whole = false;
                break;
            };
            let length = usize::from(*length);
            let Some(value) = rest.get(..length) else {
                whole = false;
                break;
            };
            found
                .entry(u16::from_be_bytes([*c1, *c0]))
                .or_insert_with(|| value.to_vec());
            list = rest.get(length..).unwrap_or_default();
        }
        LogPage {
            parameters: found,
            whole,
        }
    })
}

/// The bytes after the header, cut to the promised length, and that length.
fn header<'a>(number: u8, page: &Page<'a>) -> Known<(&'a [u8], usize)> {
    page.byte(0).then(|code| {
        if code & 0x3f != number {
            return Known::Implausible {
                raw: format!(
                    "page {:02x}h came back where page {number:02x}h was asked for",
                    code & 0x3f
                ),
            };
        }
        page.be16(2).then(|length| {
            let promised = usize::from(length);
            let content = page.content();
            let end = (4 + promised).min(content.len());
            match content.get(4..end) {
                Some(list) => Known::Value((list, promised)),
                None => page.missing(),
            }
        })
    })
}

/// Page 00h: numbers of the pages that exist.
pub fn supported(page: &Page<'_>) -> Known<Vec<u8>> {
    header(0, page).map(|(list, _)| list.iter().map(|n| n & 0x3f).collect())
}

/// A big-endian number of 1 to 16 bytes that fits 64 bits; all ones = absent.
fn number(bytes: &[u8]) -> Known<u64> {
    if bytes.is_empty() || (bytes.len() > 1 && bytes.iter().all(|b| *b == 0xff)) {
        return Known::NotReported;
    }
    let mut value: u64 = 0;
    for byte in bytes {
        match value.checked_mul(256) {
            Some(v) => value = v | u64::from(*byte),
            None => {
                return Known::Implausible {
                    raw: super::page::hex(bytes),
                };
            }
        }
    }
    Known::Value(value)
}

/// One parameter as a number.
fn count(page: &Known<LogPage>, code: u16) -> Known<u64> {
    page.clone().then(|p| match p.parameters.get(&code) {
        Some(bytes) => number(bytes),
        None if p.whole => Known::NotReported,
        None => Known::Unread {
            why: "the answer ended before this parameter".to_owned(),
        },
    })
}

/// One byte of a parameter.
fn byte(page: &Known<LogPage>, code: u16, at: usize) -> Known<u8> {
    page.clone().then(
        |p| match p.parameters.get(&code).and_then(|bytes| bytes.get(at)) {
            Some(b) => Known::Value(*b),
            None if p.whole => Known::NotReported,
            None => Known::Unread {
                why: "the answer ended before this parameter".to_owned(),
            },
        },
    )
}

/// Error counters of page 02h (write), 03h (read) or 05h (verify).
#[derive(Debug, Clone, PartialEq)]
pub struct ErrorCounters {
    /// Parameters 0000h to 0006h in order, see [`ERROR_NAMES`].
    pub counts: [Known<u64>; 7],
}

/// Names of [`ErrorCounters::counts`].
pub const ERROR_NAMES: [&str; 7] = [
    "errors_corrected_without_substantial_delay",
    "errors_corrected_with_possible_delays",
    "total_rewrites_or_rereads",
    "total_errors_corrected",
    "total_times_correction_algorithm_processed",
    "total_bytes_processed",
    "total_uncorrected_errors",
];

impl ErrorCounters {
    /// Decodes the page.
    pub fn decode(page: &Known<LogPage>) -> Self {
        Self {
            counts: std::array::from_fn(|code| count(page, code as u16)),
        }
    }

    /// Errors that no retry repaired.
    pub fn uncorrected(&self) -> Known<u64> {
        self.counts.last().cloned().unwrap_or(Known::NotReported)
    }

    /// Reads that needed extra time or tries: 0001h and 0002h together, as far as told.
    pub fn laboured(&self) -> Known<u64> {
        let [_, delayed, again, ..] = &self.counts;
        match (delayed.get(), again.get()) {
            (Some(a), Some(b)) => Known::Value(a.saturating_add(b)),
            _ => delayed.clone().or(again.clone()),
        }
    }

    fn fields(&self) -> Fields {
        let mut f = Fields::default();
        for (name, value) in ERROR_NAMES.iter().zip(&self.counts) {
            f.put(name, value);
        }
        f
    }
}

/// One result of page 10h.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SelfTest {
    /// Place, 1 = newest.
    pub number: u16,
    /// Self-test code: 1 and 5 short, 2 and 6 extended.
    pub code: u8,
    /// 0 nothing found; 1, 2 broken off; 3 to 7 failed; 15 running.
    pub result: u8,
    /// Hours powered on, 16 bits.
    pub hours: u16,
    /// First failing block; `None` = none told.
    pub failing_lba: Option<u64>,
    /// Sense key, ASC, ASCQ of the failure.
    pub sense: [u8; 3],
}

/// What the log pages say.
#[derive(Debug, Clone, PartialEq)]
pub struct Logs {
    /// Page 00h.
    pub supported_pages: Known<Vec<u8>>,
    /// Page 02h.
    pub write_errors: ErrorCounters,
    /// Page 03h.
    pub read_errors: ErrorCounters,
    /// Page 05h.
    pub verify_errors: ErrorCounters,
    /// Page 0Dh, parameter 0000h, Celsius.
    pub temperature: Known<u8>,
    /// Page 0Dh, parameter 0001h, Celsius.
    pub reference_temperature: Known<u8>,
    /// Page 0Eh.
    pub start_stop_cycles: Known<u64>,
    /// Page 0Eh.
    pub load_unload_cycles: Known<u64>,
    /// Page 10h, newest first.
    pub self_tests: Known<Vec<SelfTest>>,
    /// Page 11h, percent; 255 = 255 or more.
    pub percentage_used: Known<u8>,
    /// Page 2Fh: ASC; not 0 = a predicted failure.
    pub exception_asc: Known<u8>,
    /// Page 2Fh: ASCQ.
    pub exception_ascq: Known<u8>,
    /// Whether one of the health-bearing pages (03h, 10h, 11h, 2Fh) came whole.
    pub sound: bool,
}

impl Logs {
    /// Decodes the pages; `get` hands out the page of a number (absent ones included).
    pub fn decode<'a>(get: impl Fn(u8) -> Page<'a>) -> Self {
        let page = |n: u8| parameters(n, &get(n));
        let (read, tests, solid, exceptions) = (page(0x03), page(0x10), page(0x11), page(0x2f));
        let heat = page(0x0d);
        // Value byte 1 of a temperature parameter; FFh = not known.
        let celsius = |code| byte(&heat, code, 1).absent_if(|c| *c == 0xff);
        let sound = [&read, &solid, &exceptions].iter().any(|p| {
            p.value()
                .is_some_and(|p| p.whole && !p.parameters.is_empty())
        });
        let cycles = page(0x0e);
        Self {
            supported_pages: supported(&get(0)),
            write_errors: ErrorCounters::decode(&page(0x02)),
            read_errors: ErrorCounters::decode(&read),
            verify_errors: ErrorCounters::decode(&page(0x05)),
            temperature: celsius(0),
            reference_temperature: celsius(1).absent_if(|c| *c == 0),
            start_stop_cycles: count(&cycles, 4),
            load_unload_cycles: count(&cycles, 6),
            self_tests: tests.map(|p| self_tests(&p)),
            percentage_used: byte(&solid, 1, 3),
            exception_asc: byte(&exceptions, 0, 0),
            exception_ascq: byte(&exceptions, 0, 1),
            sound,
        }
    }

    /// The fields for JSON.
    pub fn fields(&self) -> Fields {
        let mut f = Fields::default();
        f.put("supported_log_pages", &self.supported_pages);
        f.nest("write_error_counters", self.write_errors.fields());
        f.nest("read_error_counters", self.read_errors.fields());
        f.nest("verify_error_counters", self.verify_errors.fields());
        f.put("temperature", &self.temperature);
        f.put("reference_temperature", &self.reference_temperature);
        f.put("accumulated_start_stop_cycles", &self.start_stop_cycles);
        f.put("accumulated_load_unload_cycles", &self.load_unload_cycles);
        let rows = self.self_tests.clone().map(|tests| {
            let row = |t: &SelfTest| {
                json!({
                    "number": t.number, "self_test_code": t.code, "self_test_results": t.result,
                    "accumulated_power_on_hours": t.hours,
                    "address_of_first_failure": t.failing_lba,
                    "sense": t.sense,
                })
            };
            tests.iter().map(row).collect::<Vec<Value>>()
        });
        f.put("self_test_results", &rows);
        f.put("percentage_used_endurance_indicator", &self.percentage_used);
        f.put(
            "informational_exception_additional_sense_code",
            &self.exception_asc,
        );
        f.put(
            "informational_exception_additional_sense_code_qualifier",
            &self.exception_ascq,
        );
        f
    }
}

fn self_tests(page: &LogPage) -> Vec<SelfTest> {
    (1..=20)
        .filter_map(|number| {
            let value = page.parameters.get(&number)?;
            if value.iter().all(|b| *b == 0) {
                return None;
            }
            let &[head, _, h1, h0, a, b, c, d, e, f, g, h, key, asc, ascq, ..] = value.as_slice()
            else {
                return None;
            };
            let lba = u64::from_be_bytes([a, b, c, d, e, f, g, h]);
            Some(SelfTest {
                number,
                code: head >> 5,
                result: head & 0x0f,
                hours: u16::from_be_bytes([h1, h0]),
                failing_lba: (lba != u64::MAX && (3..=7).contains(&(head & 0x0f))).then_some(lba),
                sense: [key & 0x0f, asc, ascq],
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn log(number: u8, parameters: &[(u16, &[u8])]) -> Vec<u8> {
        let mut list = Vec::new();
        for (code, value) in parameters {
            list.extend(code.to_be_bytes());
            list.extend([3, value.len() as u8]);
            list.extend(*value);
        }
        let mut page = vec![number, 0];
        page.extend((list.len() as u16).to_be_bytes());
        page.extend(list);
        page
    }

    fn decode(pages: &BTreeMap<u8, Vec<u8>>) -> Logs {
        Logs::decode(|n| match pages.get(&n) {
            Some(bytes) => Page::at_least(bytes, 4),
            None => Page::from_reply(&crate::drive::question::Reply::NotReported, 4),
        })
    }

    #[test]
    fn pages_by_their_published_layout() {
        let mut test = [0u8; 16];
        test[0] = 2 << 5 | 7;
        test[2..4].copy_from_slice(&28_200u16.to_be_bytes());
        test[4..12].copy_from_slice(&10_597_059u64.to_be_bytes());
        test[12..15].copy_from_slice(&[3, 0x11, 0]);
        let logs = decode(&BTreeMap::from([
            (0x00, vec![0, 0, 0, 3, 0, 3, 0x2f]),
            (
                0x03,
                log(
                    3,
                    &[
                        (1, &[0, 0, 0, 9]),
                        (2, &[5]),
                        (6, &[0, 0, 0, 0, 0, 0, 1, 4]),
                    ],
                ),
            ),
            (0x0d, log(0x0d, &[(0, &[0, 41]), (1, &[0, 65])])),
            (0x0e, log(0x0e, &[(4, &[0, 0, 1, 0]), (6, &[0, 0, 2, 0])])),
            (0x10, log(0x10, &[(1, &test), (2, &[0; 16])])),
            (0x11, log(0x11, &[(1, &[0, 0, 0, 104])])),
            (0x2f, log(0x2f, &[(0, &[0x5d, 0x10, 41])])),
        ]));
        assert_eq!(logs.supported_pages, Known::Value(vec![0, 3, 0x2f]));
        assert_eq!(logs.read_errors.uncorrected(), Known::Value(260));
        assert_eq!(logs.read_errors.laboured(), Known::Value(14));
        assert_eq!(logs.write_errors.uncorrected(), Known::NotReported);
        assert_eq!(logs.temperature, Known::Value(41));
        assert_eq!(logs.reference_temperature, Known::Value(65));
        assert_eq!(logs.start_stop_cycles, Known::Value(256));
        let tests = logs.self_tests.value().unwrap();
        assert_eq!(tests.len(), 1, "an unused place is no test");
        assert_eq!(tests[0].failing_lba, Some(10_597_059));
        assert_eq!((tests[0].code, tests[0].result), (2, 7));
        assert_eq!(logs.percentage_used, Known::Value(104));
        assert_eq!(logs.exception_asc, Known::Value(0x5d));
        assert!(logs.sound);
    }

    #[test]
    fn a_cut_page_hides_what_it_did_not_deliver() {
        let mut bytes = log(3, &[(0, &[0, 1]), (6, &[0, 0, 0, 4])]);
        bytes.truncate(bytes.len() - 2);
        let logs = decode(&BTreeMap::from([(3, bytes)]));
        assert!(matches!(
            logs.read_errors.uncorrected(),
            Known::Unread { .. }
        ));
        assert!(!logs.sound);
    }

    #[test]
    fn absent_refused_and_odd_numbers() {
        assert_eq!(number(&[0xff; 4]), Known::NotReported);
        assert_eq!(number(&[]), Known::NotReported);
        assert!(matches!(number(&[1; 9]), Known::Implausible { .. }));
        let logs = decode(&BTreeMap::from([(3, log(2, &[(6, &[0])]))]));
        assert!(matches!(
            logs.read_errors.uncorrected(),
            Known::Implausible { .. }
        ));
    }
}
