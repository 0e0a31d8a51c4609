//! The closed list of what holdpoint may ask a drive. Every question reads; none can
//! erase, format, sanitise, write or load firmware, because no such variant exists.
//!
//! Each question has one file name in a folder of recorded replies (`--replies DIR`).

/// One reading command. Numbers are log or page numbers of the standard named.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Question {
    /// NVMe Identify, CNS 01h: the controller (4096 bytes).
    NvmeIdentifyController,
    /// NVMe Identify, CNS 00h: namespace 1, or the one that was opened (4096 bytes).
    NvmeIdentifyNamespace,
    /// NVMe Identify, CNS 02h: the numbers of the active namespaces (4096 bytes).
    NvmeActiveNamespaces,
    /// NVMe Get Log Page (01h, 02h, 06h, 81h).
    NvmeLog(u8),
    /// ATA IDENTIFY DEVICE (512 bytes).
    AtaIdentify,
    /// ATA READ NATIVE MAX ADDRESS EXT: the last sector that the drive has, six bytes, the lowest first.
    AtaNativeMax,
    /// ATA SMART READ DATA (512 bytes).
    AtaSmartData,
    /// ATA SMART READ THRESHOLDS (512 bytes; obsolete in newer standards).
    AtaSmartThresholds,
    /// ATA SMART RETURN STATUS: two bytes, LBA mid and LBA high as answered.
    AtaSmartStatus,
    /// ATA SMART READ LOG, log number.
    AtaLog(u8),
    /// ATA READ LOG EXT, log number and page.
    AtaGpl(u8, u8),
    /// SCSI INQUIRY, standard data.
    ScsiInquiry,
    /// SCSI INQUIRY, vital product data page.
    ScsiVpd(u8),
    /// SCSI LOG SENSE, page, cumulative values.
    ScsiLog(u8),
    /// eMMC life time estimates as sysfs prints them ("0x01 0x02").
    MmcLifeTime,
    /// eMMC pre-end-of-life information as sysfs prints it ("0x01").
    MmcPreEol,
}

impl Question {
    /// The file name of the recorded reply, as the interface fixes it (numbers in two lower-case hex digits).
    pub fn file_name(self) -> String {
        match self {
            Question::NvmeIdentifyController => "nvme-identify-controller.bin".into(),
            Question::NvmeIdentifyNamespace => "nvme-identify-namespace.bin".into(),
            Question::NvmeActiveNamespaces => "nvme-active-namespaces.bin".into(),
            Question::AtaNativeMax => "ata-native-max.bin".into(),
            Question::NvmeLog(log) => format!("nvme-log-{log:02x}.bin"),
            Question::AtaIdentify => "ata-identify.bin".into(),
            Question::AtaSmartData => "ata-smart-data.bin".into(),
            Question::AtaSmartThresholds => "ata-smart-thresholds.bin".into(),
            Question::AtaSmartStatus => "ata-smart-status.bin".into(),
            Question::AtaLog(log) => format!("ata-log-{log:02x}.bin"),
            Question::AtaGpl(log, page) => format!("ata-gpl-{log:02x}-{page:02x}.bin"),
            Question::ScsiInquiry => "scsi-inquiry.bin".into(),
            Question::ScsiVpd(page) => format!("scsi-vpd-{page:02x}.bin"),
            Question::ScsiLog(page) => format!("scsi-log-{page:02x}.bin"),
            Question::MmcLifeTime => "mmc-life-time".into(),
            Question::MmcPreEol => "mmc-pre-eol-info".into(),
        }
    }

    /// The question that a file name of a recorded reply stands for; `None` = none of ours.
    pub fn from_file_name(name: &str) -> Option<Self> {
        let hex = |text: &str| {
            (text.len() == 2)
                .then(|| u8::from_str_radix(text, 16).ok())
                .flatten()
        };
        let stem = name.strip_suffix(".bin").unwrap_or(name);
        let question = match stem {
            "nvme-identify-controller" => Question::NvmeIdentifyController,
            "nvme-identify-namespace" => Question::NvmeIdentifyNamespace,
            "nvme-active-namespaces" => Question::NvmeActiveNamespaces,
            "ata-native-max" => Question::AtaNativeMax,
            "ata-identify" => Question::AtaIdentify,
            "ata-smart-data" => Question::AtaSmartData,
            "ata-smart-thresholds" => Question::AtaSmartThresholds,
            "ata-smart-status" => Question::AtaSmartStatus,
            "scsi-inquiry" => Question::ScsiInquiry,
            "mmc-life-time" => Question::MmcLifeTime,
            "mmc-pre-eol-info" => Question::MmcPreEol,
            _ => match stem.rsplit_once('-')? {
                ("nvme-log", n) => Question::NvmeLog(hex(n)?),
                ("ata-log", n) => Question::AtaLog(hex(n)?),
                ("scsi-vpd", n) => Question::ScsiVpd(hex(n)?),
                ("scsi-log", n) => Question::ScsiLog(hex(n)?),
                (front, page) => {
                    Question::AtaGpl(hex(front.strip_prefix("ata-gpl-")?)?, hex(page)?)
                }
            },
        };
        // Other programs write hexadecimal digits as capitals; all else is fixed to the letter.
        (question.file_name().eq_ignore_ascii_case(name)).then_some(question)
    }
}

/// What came back for one question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reply {
    /// The bytes that the device sent, unchanged and of whatever length.
    Bytes(Vec<u8>),
    /// The device (or the recording) has no such page.
    NotReported,
    /// Asking failed: an errno name, `sense KK/AA/QQ`, or a refusal in words.
    Unread(String),
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn file_names_lead_back_to_their_question() {
        for question in [
            Question::NvmeIdentifyController,
            Question::NvmeIdentifyNamespace,
            Question::NvmeActiveNamespaces,
            Question::AtaNativeMax,
            Question::NvmeLog(0x81),
            Question::AtaIdentify,
            Question::AtaSmartData,
            Question::AtaSmartThresholds,
            Question::AtaSmartStatus,
            Question::AtaLog(6),
            Question::AtaGpl(4, 7),
            Question::ScsiInquiry,
            Question::ScsiVpd(0xb1),
            Question::ScsiLog(0x2f),
            Question::MmcLifeTime,
            Question::MmcPreEol,
        ] {
            assert_eq!(
                Question::from_file_name(&question.file_name()),
                Some(question)
            );
        }
        for odd in ["nvme-log-2.bin", "ata-gpl-04.bin", "x", "ata-log-é.bin"] {
            assert_eq!(Question::from_file_name(odd), None, "{odd}");
        }
    }

    #[test]
    fn capitals_in_the_digits_are_the_same_file() {
        assert_eq!(
            Question::from_file_name("scsi-log-2F.bin"),
            Some(Question::ScsiLog(0x2f))
        );
        assert_eq!(
            Question::from_file_name("ata-gpl-0a-FF.bin"),
            Some(Question::AtaGpl(0x0a, 0xff))
        );
    }

    #[test]
    fn file_names_are_the_published_ones() {
        assert_eq!(Question::NvmeLog(2).file_name(), "nvme-log-02.bin");
        assert_eq!(Question::AtaGpl(4, 1).file_name(), "ata-gpl-04-01.bin");
        assert_eq!(Question::ScsiVpd(0xb1).file_name(), "scsi-vpd-b1.bin");
    }
}
