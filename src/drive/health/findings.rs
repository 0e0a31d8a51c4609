//! What the pages of any command set say, in neutral terms: the one place that knows which
//! page speaks of which thing, and which of two sources is preferred.
//!
//! Invariant: standardised counters come before vendor values; a zero from a page that is
//! not sound is no value; nothing here is judged yet.

use super::ata_attribute::{Attribute, worst_of};
use super::ata_smart::Status;
use super::page::{Then, hex};
use super::pages::{Ata, Nvme, Pages, Scsi};
use super::self_tests::{self, LastSelfTest, Outcome};
use crate::drive::evidence::Evidence;
use crate::drive::identity::Medium;
use crate::value::Known;

/// A value and where it came from.
#[derive(Debug, Clone, PartialEq)]
pub struct Found<T> {
    /// The value.
    pub value: Known<T>,
    /// Page and byte of a standard, or "vendor value N".
    pub source: String,
}

impl<T> Found<T> {
    fn new(value: Known<T>, source: &str) -> Self {
        Self {
            value,
            source: source.to_owned(),
        }
    }

    /// The preferred source unless it has no value and the other one does.
    fn or(self, other: Self) -> Self {
        match (&self.value, &other.value) {
            (Known::Value(_), _) => self,
            (_, Known::Value(_)) | (Known::NotReported, _) => other,
            _ => self,
        }
    }
}

impl<T> Default for Found<T> {
    fn default() -> Self {
        Self {
            value: Known::NotReported,
            source: String::new(),
        }
    }
}

/// A limit of a vendor value that is or was crossed.
#[derive(Debug, Clone, PartialEq)]
pub struct CrossedLimit {
    /// Vendor's id.
    pub id: u8,
    /// Crossed now, or only once in the past.
    pub now: bool,
    /// Crossing predicts loss (otherwise it tells of age or use).
    pub pre_failure: bool,
    /// "now / lowest ever / limit / bytes".
    pub words: String,
}

/// Everything found in one reading.
#[derive(Debug, Clone, PartialEq, Default)]
#[allow(missing_docs)] // each field is the signal of the same name; units stand in the signal table
pub struct Findings {
    pub unreadable: Option<String>,
    pub locked: bool,
    /// `Some(true)` = the drive reports a crossed limit.
    pub limit_crossed: Found<bool>,
    pub crossed_limits: Vec<CrossedLimit>,
    pub sectors_awaiting: Found<u64>,
    /// Vendor value 197 where it contradicts a standardised zero.
    pub awaiting_contradicted: Option<u64>,
    pub sectors_remapped: Found<u64>,
    pub reads_given_up: Found<u64>,
    pub scan_unreadable: Found<u64>,
    pub reads_laboured: Found<u64>,
    pub data_lost_inside: Found<u64>,
    pub starts_failed: Found<u64>,
    pub emergency_unloads: Found<u64>,
    /// Vendor value 196 where it says more than the count of replaced sectors.
    pub remap_attempts: Found<u64>,
    /// Reads without the data in the drive's own error log; never zero.
    pub logged_unread: Found<u64>,
    /// That log is emptied when the drive starts (NVMe).
    pub logged_since_start: bool,
    pub commands_overdue: Found<u64>,
    pub reset_midway: Found<u64>,
    pub link_garbled: Found<u64>,
    pub self_test: Option<LastSelfTest>,
    pub spare: Found<(u8, u8)>,
    pub spare_short: Found<bool>,
    pub pre_end_of_life: Found<u8>,
    pub endurance_spent: Found<u32>,
    /// eMMC: the worse life time estimate as delivered; a step of ten per cent, not a percentage.
    pub card_life_step: Option<u8>,
    pub reliability_reduced: Found<bool>,
    pub writes_refused: Found<bool>,
    pub backup_power_out: Found<bool>,
    pub temperature_warning: Found<bool>,
    pub celsius: Found<f64>,
    /// The maker's temperature limit, Celsius; `None` = not told.
    pub celsius_limit: Option<f64>,
    pub heat_minutes: Found<u64>,
    pub heat_slowed: Found<u64>,
    pub powered_hours: Found<u64>,
    pub power_cuts: Found<u64>,
    /// Days of power since the newest media error in the drive's own logs.
    pub error_age_days: Option<f64>,
}

/// Thirty years: no drive has been powered longer (the plausibility bound of this reader).
const MOST_HOURS: u128 = 262_980;

/// A zero of a doubtful page is no value.
fn doubt<T: PartialEq + Default>(value: Known<T>, sound: bool) -> Known<T> {
    value.then(|v| {
        if sound || v != T::default() {
            Known::Value(v)
        } else {
            doubtful()
        }
    })
}

fn doubtful<T>() -> Known<T> {
    Known::Unread {
        why: "the page it stands on is damaged".to_owned(),
    }
}

impl Findings {
    /// Gathers from all families that were heard.
    pub fn gather(pages: &Pages) -> Self {
        let mut f = Self {
            unreadable: pages.readable().err(),
            ..Self::default()
        };
        if let Some(nvme) = &pages.nvme {
            f.nvme(nvme);
        }
        if let Some(ata) = &pages.ata {
            f.ata(ata);
        }
        if let Some(scsi) = &pages.scsi {
            f.scsi(scsi);
        }
        if let Some(wear) = &pages.mmc {
            f.endurance_spent
                .fill(wear.spent_percent(), "EXT_CSD 268-269, life time estimates");
            f.pre_end_of_life
                .fill(wear.pre_eol.clone(), "EXT_CSD 267, pre-end-of-life");
            f.card_life_step = wear.spent_percent().get().map(|upper| (upper / 10) as u8);
            f.spare_short.fill(
                wear.pre_eol.clone().map(|step| step >= 3),
                "EXT_CSD 267, pre-end-of-life",
            );
        }
        f
    }

    /// The numbers for the forecast. Growth and pace are not among them: they need another reading.
    pub fn evidence(&self, medium: Medium) -> Evidence {
        let set = |bit: &Found<bool>| bit.value.get() == Some(true);
        let outcome = self.self_test.as_ref().map(|t| &t.outcome);
        let given_up = self.reads_given_up.value.get();
        Evidence {
            medium: medium.into(),
            readable: self.unreadable.is_none(),
            powered_hours: self.powered_hours.value.get().map(|h| h as f64),
            sectors_awaiting: self.sectors_awaiting.value.get(),
            sectors_remapped: self.sectors_remapped.value.get(),
            reads_given_up: given_up,
            scan_unreadable: self.scan_unreadable.value.get(),
            self_test_read_failed: outcome == Some(&Outcome::ReadFailed),
            self_test_other_failed: matches!(outcome, Some(Outcome::OtherFailed(_))),
            // A pre-failure value at its limit is what the drive's own verdict is defined by, so it
            // counts even where the verdict is missing or says otherwise.
            limit_crossed: if self.crossed_limits.iter().any(|c| c.now && c.pre_failure) {
                Some(true)
            } else {
                self.limit_crossed.value.get()
            },
            commands_overdue: self.commands_overdue.value.get(),
            starts_failed: self.starts_failed.value.get(),
            link_garbled: self.link_garbled.value.get(),
            celsius: self.celsius.value.get(),
            temperature_warning: set(&self.temperature_warning),
            spare: self.spare.value.get(),
            spare_short: set(&self.spare_short),
            pre_end_of_life: self.pre_end_of_life.value.get(),
            endurance_spent: self.endurance_spent.value.get(),
            reliability_reduced: set(&self.reliability_reduced),
            writes_refused: set(&self.writes_refused),
            backup_power_out: set(&self.backup_power_out),
            // What a solid-state drive on ATA or SCSI could not correct is lost inside it just the same.
            data_lost_inside: self
                .data_lost_inside
                .value
                .get()
                .or(given_up.filter(|_| medium == Medium::Ssd)),
            // No standard page tells them, and vendor values for them differ by maker.
            program_erase_failures: None,
            logged_unread: self.logged_unread.value.get(),
            logged_since_start: self.logged_since_start,
            error_age_days: self.error_age_days,
            ..Evidence::default()
        }
    }

    fn nvme(&mut self, nvme: &Nvme) {
        let h = &nvme.health;
        let count = |name: &str| {
            let narrow = h
                .counter(name)
                .map(|n| u64::try_from(n).unwrap_or(u64::MAX));
            doubt(narrow, h.sound)
        };
        let bit = |n| doubt(h.warns(n), h.sound);
        self.data_lost_inside
            .fill(count("media_errors"), "NVMe log 02h, byte 160");
        let spare = h
            .available_spare
            .clone()
            .then(|left| {
                h.available_spare_threshold
                    .clone()
                    .map(|limit| (left, limit))
            })
            .then(|(left, limit)| {
                // Plenty of spare on a damaged page is no good news.
                if h.sound || left <= limit {
                    Known::Value((left, limit))
                } else {
                    doubtful()
                }
            });
        self.spare.fill(spare, "NVMe log 02h, bytes 3-4");
        self.spare_short.fill(bit(0), "NVMe log 02h, byte 0, bit 0");
        self.temperature_warning
            .fill(bit(1), "NVMe log 02h, byte 0, bit 1");
        self.reliability_reduced
            .fill(bit(2), "NVMe log 02h, byte 0, bit 2");
        self.writes_refused
            .fill(bit(3), "NVMe log 02h, byte 0, bit 3");
        self.backup_power_out
            .fill(bit(4), "NVMe log 02h, byte 0, bit 4");
        self.endurance_spent.fill(
            doubt(h.percentage_used.clone().map(u32::from), h.sound),
            "NVMe log 02h, byte 5",
        );
        self.celsius.fill(
            h.composite_temperature_kelvin
                .clone()
                .map(|k| f64::from(k) - 273.0),
            "NVMe log 02h, bytes 1-2",
        );
        self.celsius_limit = nvme
            .controller
            .wctemp_kelvin
            .get()
            .filter(|k| (273..=423).contains(k))
            .map(|k| f64::from(k) - 273.0);
        let sum = |a: &Known<u32>, b: &Known<u32>| match (a.get(), b.get()) {
            (Some(a), Some(b)) => Known::Value(u64::from(a) + u64::from(b)),
            _ => a.clone().or(b.clone()).map(u64::from),
        };
        self.heat_minutes.fill(
            doubt(
                sum(&h.warning_temp_minutes, &h.critical_temp_minutes),
                h.sound,
            ),
            "NVMe log 02h, bytes 192-199",
        );
        let [light, heavy] = &h.thm_transitions;
        self.heat_slowed.fill(
            doubt(sum(light, heavy), h.sound),
            "NVMe log 02h, bytes 216-223",
        );
        let hours = h.counter("power_on_hours").plausible_if(
            |hours| *hours <= MOST_HOURS,
            |hours| format!("{hours} hours"),
        );
        self.powered_hours.fill(
            doubt(hours.map(|h| h as u64), h.sound),
            "NVMe log 02h, byte 128",
        );
        self.power_cuts
            .fill(count("unsafe_shutdowns"), "NVMe log 02h, byte 144");
        // The log is emptied by a power cycle and by a reset (NVMe Base 1.4, 5.14.1.1, from memory), so
        // what it holds is of now. It bears no hours.
        let unread = nvme.errors.value().into_iter().flatten();
        let unread = unread.filter(|e| e.media_read_error()).count() as u64;
        if unread > 0 {
            self.logged_unread
                .fill(Known::Value(unread), "NVMe log 01h, status 281h");
            self.logged_since_start = true;
        }
        let tests = self_tests::of_nvme(&nvme.self_tests);
        let now = self.powered_hours.value.get();
        self.error_age_days =
            self_tests::error_age_days(now, self_tests::read_failures(&tests), &[]);
        self.self_test = self_tests::last(tests);
    }

    fn ata(&mut self, ata: &Ata) {
        self.locked = ata.identify.security_locked().get() == Some(true);
        let smart = &ata.smart;
        let rows = &smart.attributes;
        let capacity = ata.identify.capacity_sectors.get();
        let vendor = |id, read: &dyn Fn(&Attribute) -> Known<u64>| {
            Found::new(
                doubt(worst_of(rows, id, read), smart.sound()),
                &format!("vendor value {id}"),
            )
        };
        let stat = |page: u8, at: u16| {
            Found::new(
                ata.statistics.count(page, at),
                &format!("device statistics page {page:02x}h, byte {at:02x}h"),
            )
        };
        let sectors = |a: &Attribute| a.sectors(capacity);
        let events = |a: &Attribute| a.events16();
        let plain = |a: &Attribute| a.count32();

        let waiting = vendor(197, &sectors);
        self.sectors_awaiting = stat(0x03, 0x38).or(waiting.clone());
        self.awaiting_contradicted = match (self.sectors_awaiting.value.get(), waiting.value.get())
        {
            (Some(0), Some(n)) if n > 0 => Some(n),
            _ => None,
        };
        let attempts = vendor(196, &sectors);
        self.sectors_remapped = stat(0x03, 0x20).or(vendor(5, &sectors));
        // Attempts stand in only for a count that is not there, and only when there were any: no
        // attempts are not the same as nothing replaced.
        if attempts.value.get().is_some_and(|n| n > 0) {
            if self.sectors_remapped.value == Known::NotReported {
                self.sectors_remapped = attempts;
            } else if attempts.value.get() > self.sectors_remapped.value.get() {
                self.remap_attempts = attempts;
            }
        }
        self.reads_given_up = stat(0x04, 0x08).or(vendor(187, &events));
        self.scan_unreadable = vendor(198, &sectors);
        self.reads_laboured = stat(0x03, 0x28);
        self.starts_failed = stat(0x03, 0x30).or(vendor(10, &events));
        self.emergency_unloads = stat(0x03, 0x40);
        self.commands_overdue = vendor(188, &events);
        self.reset_midway = stat(0x04, 0x10);
        self.link_garbled = stat(0x06, 0x18).or(vendor(199, &plain));
        let wear = stat(0x07, 0x08);
        self.endurance_spent
            .fill(wear.value.map(|p| p.min(255) as u32), &wear.source);

        let degrees = |at: u16| ata.statistics.get(0x05, at);
        let believable = |c: &i64| (-15..=100).contains(c);
        self.celsius.fill(
            degrees(0x08)
                .plausible_if(believable, i64::to_string)
                .map(|c| c as f64),
            "device statistics page 05h, byte 08h",
        );
        self.celsius_limit = degrees(0x58).get().filter(|c| *c > 0).map(|c| c as f64);
        self.heat_minutes = stat(0x05, 0x50);
        for id in [194, 190] {
            let first = rows
                .value()
                .and_then(|rows| rows.iter().find(|a| a.id == id));
            if let Some(a) = first {
                self.celsius
                    .fill(a.celsius().map(f64::from), &format!("vendor value {id}"));
            }
        }

        let tests = self_tests::of_ata(ata);
        let stamps = self_tests::error_stamps(ata);
        if let Some((n, source)) = self_tests::logged_unread(ata) {
            self.logged_unread.fill(Known::Value(n), source);
        }
        let cycles = worst_of(rows, 12, plain).get();
        let latest = self_tests::latest_stamp(ata);
        let hours = stat(0x01, 0x10);
        let believable = |h: &u64| u128::from(*h) <= MOST_HOURS;
        self.powered_hours = Found::new(
            hours.value.plausible_if(believable, u64::to_string),
            &hours.source,
        )
        .or(vendor(9, &|a: &Attribute| a.hours(cycles, latest)));
        let now = self.powered_hours.value.get();
        self.error_age_days =
            self_tests::error_age_days(now, self_tests::read_failures(&tests), &stamps);
        self.self_test = self_tests::last(tests);
        self.limits(ata);
    }

    fn limits(&mut self, ata: &Ata) {
        for a in ata.smart.attributes.value().into_iter().flatten() {
            if a.crossed_ever() == Some(true) {
                self.crossed_limits.push(CrossedLimit {
                    id: a.id,
                    now: a.crossed_now() == Some(true),
                    pre_failure: a.pre_failure(),
                    words: a.in_words(),
                });
            }
        }
        let verdict = ata.status.clone().map(|s| s == Status::LimitCrossed);
        self.limit_crossed = Found::new(verdict, "ATA return status");
    }

    fn scsi(&mut self, scsi: &Scsi) {
        let logs = &scsi.logs;
        // 0Bh/01h warns of heat only (SPC-4, annex D, from memory); any other code predicts a failure.
        let hot = (logs.exception_asc.get(), logs.exception_ascq.get()) == (Some(0x0b), Some(0x01));
        let exceptions = doubt(
            logs.exception_asc.clone().map(|asc| asc != 0 && !hot),
            logs.sound,
        );
        if hot {
            self.temperature_warning
                .fill(Known::Value(true), "SCSI log page 2Fh, parameter 0000h");
        }
        let code = hex(&[
            logs.exception_asc.get().unwrap_or(0),
            logs.exception_ascq.get().unwrap_or(0),
        ]);
        self.limit_crossed.fill(
            exceptions,
            &format!("SCSI log page 2Fh, parameter 0000h (code {code}h)"),
        );
        self.reads_given_up.fill(
            doubt(logs.read_errors.uncorrected(), logs.sound),
            "SCSI log page 03h, parameter 0006h",
        );
        self.reads_laboured.fill(
            logs.read_errors.laboured(),
            "SCSI log page 03h, parameters 0001h and 0002h",
        );
        self.endurance_spent.fill(
            logs.percentage_used.clone().map(u32::from),
            "SCSI log page 11h, parameter 0001h",
        );
        // 0 stands for "0 degrees or below", which no powered drive on a bench has.
        let celsius = logs.temperature.clone().absent_if(|c| *c == 0 || *c > 150);
        self.celsius
            .fill(celsius.map(f64::from), "SCSI log page 0Dh, parameter 0000h");
        if self.celsius_limit.is_none() {
            self.celsius_limit = logs.reference_temperature.get().map(f64::from);
        }
        if self.self_test.is_none() {
            self.self_test = self_tests::last(self_tests::of_scsi(logs));
        }
    }
}

impl<T> Found<T> {
    /// Takes a value that nothing before has given.
    fn fill(&mut self, value: Known<T>, source: &str) {
        let own = std::mem::take(self);
        *self = own.or(Found::new(value, source));
    }
}
