//! The numbers that the forecast weighs, gathered from one reading (and the one before),
//! free of any command set. `None` always means "not known", never zero.

use super::identity::Medium;
use crate::value::measure::count_in_words;
use serde::{Deserialize, Serialize};

/// What one reading says about the chance of losing the drive or sectors of it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// What stores the bytes; `None` when the drive does not say.
    pub medium: Option<EvidenceMedium>,
    /// Whether any health page could be read at all.
    pub readable: bool,
    /// Hours powered on; a lower bound of the drive's age.
    pub powered_hours: Option<f64>,
    /// Sectors that wait to be remapped, now.
    pub sectors_awaiting: Option<u64>,
    /// Sectors already replaced by spares (disk), or grown bad blocks (solid state).
    pub sectors_remapped: Option<u64>,
    /// Reads that ended without the data, over the drive's life (ATA, SCSI).
    pub reads_given_up: Option<u64>,
    /// Sectors the drive's own scan found unreadable.
    pub scan_unreadable: Option<u64>,
    /// The newest finished self-test stopped at an unreadable sector.
    pub self_test_read_failed: bool,
    /// The newest finished self-test failed for another reason (electrical, servo, handling, unknown).
    pub self_test_other_failed: bool,
    /// The drive's own verdict: `Some(true)` = it reports a crossed limit.
    pub limit_crossed: Option<bool>,
    /// Commands that ran out of time.
    pub commands_overdue: Option<u64>,
    /// Failed motor starts.
    pub starts_failed: Option<u64>,
    /// Transfers that arrived garbled.
    pub link_garbled: Option<u64>,
    /// Temperature now, degrees Celsius.
    pub celsius: Option<f64>,
    /// The drive itself says the temperature is out of its range (NVMe warning bit 1).
    pub temperature_warning: bool,
    /// Spare area left, percent, and the drive's own limit; known only together.
    pub spare: Option<(u8, u8)>,
    /// NVMe warning bit 0, or eMMC spare at its last step.
    pub spare_short: bool,
    /// eMMC pre-end-of-life: 2 = warning, 3 = urgent.
    pub pre_end_of_life: Option<u8>,
    /// Rated writing spent, percent; may pass 100. For eMMC the upper edge of the reported step (110 = beyond).
    pub endurance_spent: Option<u32>,
    /// NVMe warning bit 2.
    pub reliability_reduced: bool,
    /// NVMe warning bit 3.
    pub writes_refused: bool,
    /// NVMe warning bit 4.
    pub backup_power_out: bool,
    /// Media and data integrity errors (NVMe), or uncorrectable errors of a solid-state drive.
    pub data_lost_inside: Option<u64>,
    /// Program or erase failures of a solid-state drive.
    pub program_erase_failures: Option<u64>,
    /// Growth of each count since the reading before, where both are known.
    pub growth: Growth,
    /// Reads that ended without the data and that the drive's own error log still holds; `None` = it
    /// holds none, or no such log was read. An empty log is no promise, so there is no zero.
    #[serde(default)]
    pub logged_unread: Option<u64>,
    /// The error log holds only what happened since the drive was started (NVMe), so its entries are present ones.
    #[serde(default)]
    pub logged_since_start: bool,
    /// Days of power since the first (or last known) media error, from the drive's own logs.
    pub error_age_days: Option<f64>,
    /// Read speed now, as a share of the drive's own earlier pace (1.0 = the same).
    pub speed_share: Option<f64>,
    /// A later reading than this one could not be made: what is known stays known, and how it is now is not.
    #[serde(default)]
    pub later_unread: bool,
}

/// A sector that did not read within this many days of power counts as a present media error
/// (engineering judgement).
const LATELY_DAYS: f64 = 7.0;

impl Evidence {
    /// Solid state of any kind.
    pub fn is_solid(&self) -> bool {
        matches!(
            self.medium,
            Some(EvidenceMedium::Ssd | EvidenceMedium::Nvme | EvidenceMedium::Card)
        )
    }

    /// Whether the reading says nothing about the state of the medium itself.
    pub fn is_blind(&self) -> bool {
        if !self.readable {
            return true;
        }
        let counts = [
            self.sectors_awaiting,
            self.sectors_remapped,
            self.reads_given_up,
            self.scan_unreadable,
            self.data_lost_inside,
            self.program_erase_failures,
            self.logged_unread,
        ];
        if counts.iter().any(Option::is_some) {
            return false;
        }
        !self.is_solid()
            || (self.spare.is_none()
                && self.endurance_spent.is_none()
                && self.pre_end_of_life.is_none())
    }

    /// A count of bad media that an earlier reading told and this one does not is taken as it was: a page that fails to
    /// come is no better news than the one before it.
    pub fn keep_told(&mut self, earlier: &Evidence) {
        for (own, told) in [
            (&mut self.sectors_awaiting, earlier.sectors_awaiting),
            (&mut self.sectors_remapped, earlier.sectors_remapped),
            (&mut self.reads_given_up, earlier.reads_given_up),
            (&mut self.scan_unreadable, earlier.scan_unreadable),
            (&mut self.data_lost_inside, earlier.data_lost_inside),
        ] {
            *own = own.or(told);
        }
        self.limit_crossed = self.limit_crossed.or(earlier.limit_crossed);
    }

    /// Whether the drive's own logs say that a read ended without the data lately.
    pub fn unread_lately(&self) -> bool {
        let some = |n: Option<u64>| n.is_some_and(|n| n > 0);
        let logged = some(self.logged_unread);
        (logged && self.logged_since_start)
            || ((logged || some(self.reads_given_up))
                && self.error_age_days.is_some_and(|days| days <= LATELY_DAYS))
    }

    /// What the drive's own error log holds, as a sentence for people; `None` = nothing.
    pub fn logged_in_words(&self) -> Option<String> {
        let n = self.logged_unread.filter(|n| *n > 0)?;
        let reads = if n == 1 {
            "1 read that ended without the data".to_owned()
        } else {
            format!("{} reads that ended without the data", count_in_words(n))
        };
        let when = match self.error_age_days.map(f64::floor) {
            _ if self.logged_since_start => "since the drive was started".to_owned(),
            None => "at a time that is not known".to_owned(),
            Some(days) if days < 1.0 => "within the last day of power".to_owned(),
            Some(days) if days < 2.0 => "the last one a day of power ago".to_owned(),
            Some(days) => format!(
                "the last one {} days of power ago",
                count_in_words(days as u64)
            ),
        };
        Some(format!("the drive's own error log holds {reads}, {when}"))
    }
}

/// How counts moved between two readings; `None` = one of the two is not known.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Growth {
    /// Newly waiting sectors.
    pub sectors_awaiting: Option<u64>,
    /// Newly remapped sectors.
    pub sectors_remapped: Option<u64>,
    /// New unrecovered reads (any of the counts above that mean it).
    pub reads_given_up: Option<u64>,
    /// New integrity errors (NVMe).
    pub data_lost_inside: Option<u64>,
    /// Hours between the two readings.
    pub hours: Option<f64>,
}

impl Growth {
    /// Whether any of the counts rose.
    pub fn any(&self) -> bool {
        self.counts().iter().any(|n| n.is_some_and(|n| n > 0))
    }

    /// Count by count the larger growth of two, each told against another earlier reading. A growth of zero is one
    /// that is known; the hours are those of `self`.
    pub fn or_more(self, other: &Growth) -> Self {
        Self {
            sectors_awaiting: self.sectors_awaiting.max(other.sectors_awaiting),
            sectors_remapped: self.sectors_remapped.max(other.sectors_remapped),
            reads_given_up: self.reads_given_up.max(other.reads_given_up),
            data_lost_inside: self.data_lost_inside.max(other.data_lost_inside),
            hours: self.hours,
        }
    }

    fn counts(&self) -> [Option<u64>; 4] {
        [
            self.sectors_awaiting,
            self.sectors_remapped,
            self.reads_given_up,
            self.data_lost_inside,
        ]
    }
}

/// [`Medium`] as the evidence keeps it (serialisable both ways).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum EvidenceMedium {
    Disk,
    Ssd,
    Nvme,
    Card,
}

impl From<Medium> for Option<EvidenceMedium> {
    fn from(medium: Medium) -> Self {
        match medium {
            Medium::Disk => Some(EvidenceMedium::Disk),
            Medium::Ssd => Some(EvidenceMedium::Ssd),
            Medium::Nvme => Some(EvidenceMedium::Nvme),
            Medium::Card => Some(EvidenceMedium::Card),
            Medium::Unknown => None,
        }
    }
}
