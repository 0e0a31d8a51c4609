//! The numbers that the forecast weighs, gathered from one reading (and the one before),
//! free of any command set. `None` always means "not known", never zero.

use super::identity::Medium;
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
    /// Days of power since the first (or last known) media error, from the drive's own logs.
    pub error_age_days: Option<f64>,
    /// Read speed now, as a share of the drive's own earlier pace (1.0 = the same).
    pub speed_share: Option<f64>,
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
