//! Who a drive is: the words printed on its label and reported by itself, its size, and
//! what kind of device it is. Docks share serials, so identity also carries a fingerprint
//! of the contents wherever sectors can be read.

use crate::value::Known;
use serde::Serialize;

/// What stores the bytes. Unknown is a kind of its own: nothing is assumed in its favour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Medium {
    /// Rotating disk.
    Disk,
    /// Solid state on ATA or SCSI.
    Ssd,
    /// Solid state on NVMe.
    Nvme,
    /// eMMC or SD.
    Card,
    /// The device does not say, or several sources disagree.
    Unknown,
}

/// The identity of one drive.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Drive {
    /// Model text, trimmed.
    pub model: Known<String>,
    /// Serial text, trimmed.
    pub serial: Known<String>,
    /// Firmware revision text, trimmed.
    pub firmware: Known<String>,
    /// World-wide name or EUI-64 / NGUID, lower-case hex.
    pub world_wide_name: Known<String>,
    /// Capacity in bytes as accessible now.
    pub bytes: Known<u64>,
    /// Logical sector size in bytes.
    pub sector_bytes: Known<u32>,
    /// Physical sector size in bytes.
    pub physical_sector_bytes: Known<u32>,
    /// Revolutions per minute; `Value(0)` = not rotating.
    pub rotation_rpm: Known<u32>,
    /// What stores the bytes.
    pub medium: Medium,
}

impl Drive {
    /// What speaks against this being the same drive as `other`, in words (expected of `other`, found here). Serials
    /// decide where both tell one, because an adapter may put a model of its own in front; what only one of the two
    /// tells can tell no drives apart.
    pub fn contradiction(&self, other: &Drive) -> Option<String> {
        match (self.serial.value(), other.serial.value()) {
            (Some(found), Some(expected)) => differs("serial", expected, found),
            _ => self.other_label(other),
        }
    }

    /// The same among replies recorded from drives themselves: model and size must agree as well.
    pub fn contradiction_recorded(&self, other: &Drive) -> Option<String> {
        let sizes = other.bytes.get().zip(self.bytes.get());
        self.contradiction(other)
            .or_else(|| self.other_label(other))
            .or_else(|| sizes.and_then(|(then, now)| differs("a size in bytes of", &then, &now)))
    }

    fn other_label(&self, other: &Drive) -> Option<String> {
        let models = other.model.value().zip(self.model.value());
        models.and_then(|(expected, found)| differs("model", expected, found))
    }

    /// A drive of which nothing could be learnt, for the reason given.
    pub fn unread(why: &str) -> Self {
        fn no<T>(why: &str) -> Known<T> {
            Known::Unread {
                why: why.to_owned(),
            }
        }
        Self {
            model: no(why),
            serial: no(why),
            firmware: no(why),
            world_wide_name: no(why),
            bytes: no(why),
            sector_bytes: no(why),
            physical_sector_bytes: no(why),
            rotation_rpm: no(why),
            medium: Medium::Unknown,
        }
    }
}

fn differs<T: PartialEq + std::fmt::Display>(
    what: &str,
    expected: &T,
    found: &T,
) -> Option<String> {
    (found != expected).then(|| format!("expected {what} {expected}, found {found}"))
}
