//! Everything that one set of replies holds, decoded, family by family.
//!
//! Invariant: a family of which nothing at all was heard is `None`; every field of a family
//! that was heard is there, known or with its reason.

use super::ata_error_log::ErrorLog;
use super::ata_identify::{self, Identify};
use super::ata_self_test::SelfTestLog;
use super::ata_smart::{self, Smart, Status, status_word};
use super::ata_statistics::{self, Statistics};
use super::field::Fields;
use super::mmc::Wear;
use super::nvme_history::{self, ErrorEntry, SelfTests};
use super::nvme_identify::{self, Controller, Namespace};
use super::nvme_log::{self, Health};
use super::page::{Page, Then};
use super::scsi_inquiry::{self, Inquiry, Vpd};
use super::scsi_log::Logs;
use super::sense;
use crate::drive::question::{Question, Reply};
use crate::drive::replies::Replies;
use crate::value::Known;
use serde_json::{Value, json};

/// NVMe pages.
#[derive(Debug, Clone, PartialEq)]
pub struct Nvme {
    /// Identify, controller.
    pub controller: Controller,
    /// Identify, namespace.
    pub namespace: Namespace,
    /// Identify, active namespaces: how many there are.
    pub active_namespaces: Known<u32>,
    /// Log 02h.
    pub health: Health,
    /// Log 01h.
    pub errors: Known<Vec<ErrorEntry>>,
    /// Log 06h.
    pub self_tests: SelfTests,
    /// Log 81h.
    pub sanitize_state: Known<u8>,
}

/// ATA pages.
#[derive(Debug, Clone, PartialEq)]
pub struct Ata {
    /// IDENTIFY DEVICE.
    pub identify: Identify,
    /// READ NATIVE MAX ADDRESS EXT: sectors that the drive has, those that it keeps from being addressed included.
    pub native_sectors: Known<u64>,
    /// READ DATA and READ THRESHOLDS.
    pub smart: Smart,
    /// RETURN STATUS.
    pub status: Known<Status>,
    /// SMART log 01h.
    pub summary_errors: ErrorLog,
    /// SMART log 02h.
    pub comprehensive_errors: ErrorLog,
    /// GPL log 03h.
    pub extended_errors: ErrorLog,
    /// SMART log 06h.
    pub self_tests: SelfTestLog,
    /// GPL log 07h.
    pub extended_self_tests: SelfTestLog,
    /// GPL or SMART log 04h.
    pub statistics: Statistics,
}

/// SCSI pages.
#[derive(Debug, Clone, PartialEq)]
pub struct Scsi {
    /// Standard INQUIRY data.
    pub inquiry: Inquiry,
    /// Vital product data.
    pub vpd: Vpd,
    /// Log pages.
    pub logs: Logs,
}

/// All families.
#[derive(Debug, Clone, PartialEq)]
pub struct Pages {
    /// NVMe.
    pub nvme: Option<Nvme>,
    /// ATA.
    pub ata: Option<Ata>,
    /// SCSI.
    pub scsi: Option<Scsi>,
    /// eMMC.
    pub mmc: Option<Wear>,
}

/// The command set of a question.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)]
pub enum Family {
    Nvme,
    Ata,
    Scsi,
    Mmc,
}

impl Family {
    /// The command set that a question belongs to.
    pub fn of(question: Question) -> Self {
        match question {
            Question::NvmeIdentifyController
            | Question::NvmeIdentifyNamespace
            | Question::NvmeActiveNamespaces
            | Question::NvmeLog(_) => Family::Nvme,
            Question::AtaIdentify
            | Question::AtaNativeMax
            | Question::AtaSmartData
            | Question::AtaSmartThresholds
            | Question::AtaSmartStatus
            | Question::AtaLog(_)
            | Question::AtaGpl(_, _) => Family::Ata,
            Question::ScsiInquiry | Question::ScsiVpd(_) | Question::ScsiLog(_) => Family::Scsi,
            Question::MmcLifeTime | Question::MmcPreEol => Family::Mmc,
        }
    }
}

impl Pages {
    /// Decodes all replies.
    pub fn decode(replies: &Replies) -> Self {
        let heard = |family| replies.any(|q| Family::of(q) == family);
        Self {
            nvme: heard(Family::Nvme).then(|| nvme(replies)),
            ata: heard(Family::Ata).then(|| ata(replies)),
            scsi: heard(Family::Scsi).then(|| scsi(replies)),
            mmc: heard(Family::Mmc).then(|| {
                Wear::decode(
                    replies.get(Question::MmcLifeTime),
                    replies.get(Question::MmcPreEol),
                )
            }),
        }
    }

    /// `Ok` when at least one health page came whole and can be believed; otherwise why not, in words.
    pub fn readable(&self) -> Result<(), String> {
        let mut whys = Vec::new();
        if let Some(nvme) = &self.nvme {
            if nvme.health.sound {
                return Ok(());
            }
            whys.push(match nvme.health.critical_warning.why_not() {
                Some(why) => format!("NVMe health log: {why}"),
                None => format!("NVMe health log: {} or implausible", nvme.health.page),
            });
        }
        if let Some(ata) = &self.ata {
            if ata.smart.sound() || ata.statistics.sound() {
                return Ok(());
            }
            whys.push(ata_why(ata));
        }
        if let Some(scsi) = &self.scsi {
            if scsi.logs.sound {
                return Ok(());
            }
            let why = scsi.logs.supported_pages.why_not();
            whys.push(format!(
                "SCSI log pages: {}",
                why.unwrap_or_else(|| "none that speaks of health came whole".to_owned())
            ));
        }
        if let Some(wear) = &self.mmc {
            if wear.sound() {
                return Ok(());
            }
            let why = wear.life_time_a.why_not();
            whys.push(format!("eMMC wear: {}", why.unwrap_or_default()));
        }
        if whys.is_empty() {
            whys.push("the device answers none of the health questions".to_owned());
        }
        // One reason behind every family (an adapter, an image file) is said once.
        let reasons: Vec<&str> = whys
            .iter()
            .filter_map(|why| {
                why.split_once(": could not be read: ")
                    .map(|(_, reason)| reason)
            })
            .collect();
        match reasons.first() {
            Some(first) if reasons.len() > 1 && reasons.iter().all(|reason| reason == first) => {
                Err(sense::with_meaning(first))
            }
            _ => {
                let telling: Vec<String> = whys
                    .iter()
                    .map(|why| sense::with_meaning(&why.replace(": could not be read: ", ": ")))
                    .collect();
                Err(telling.join("; "))
            }
        }
    }

    /// All decoded fields for JSON.
    pub fn fields(&self) -> Fields {
        let mut f = Fields::default();
        if let Some(nvme) = &self.nvme {
            f.absorb(nvme.fields());
        }
        if let Some(ata) = &self.ata {
            f.absorb(ata.fields());
        }
        if let Some(scsi) = &self.scsi {
            f.absorb(scsi_inquiry::fields(&scsi.inquiry, &scsi.vpd));
            f.absorb(scsi.logs.fields());
        }
        if let Some(wear) = &self.mmc {
            f.absorb(wear.fields());
        }
        f
    }
}

fn ata_why(ata: &Ata) -> String {
    let smart = &ata.smart;
    if ata.identify.smart_enabled.get() == Some(false) && smart.attributes.value().is_none() {
        return "ATA: the drive's health recording is switched off".to_owned();
    }
    match (smart.attributes.why_not(), smart.data_checksum_ok.get()) {
        (Some(why), _) => match ata.identify.model.why_not() {
            Some(first) if why == "not reported" => format!("ATA: {first}"),
            Some(first) if first != why => format!("ATA: {first}; SMART data: {why}"),
            _ => format!("ATA SMART data: {why}"),
        },
        (None, Some(false)) => {
            "ATA SMART data: the checksum does not match, so nothing in it counts in the drive's favour"
                .to_owned()
        }
        (None, _) => format!("ATA SMART data: the page is {}", smart.state.word()),
    }
}

fn nvme(replies: &Replies) -> Nvme {
    let page = |q, bytes| Page::from_reply(replies.get(q), bytes);
    let identify = nvme_identify::BYTES;
    Nvme {
        controller: Controller::decode(&page(Question::NvmeIdentifyController, identify)),
        namespace: Namespace::decode(&page(Question::NvmeIdentifyNamespace, identify)),
        active_namespaces: nvme_identify::active(&page(Question::NvmeActiveNamespaces, identify)),
        health: Health::decode(&page(Question::NvmeLog(0x02), nvme_log::HEALTH_BYTES)),
        errors: nvme_history::errors(&Page::variable(
            replies.get(Question::NvmeLog(0x01)),
            nvme_history::ERROR_ENTRY_BYTES,
        )),
        self_tests: SelfTests::decode(&page(
            Question::NvmeLog(0x06),
            nvme_history::SELF_TEST_BYTES,
        )),
        sanitize_state: nvme_history::sanitize_state(&Page::variable(
            replies.get(Question::NvmeLog(0x81)),
            4,
        )),
    }
}

impl Nvme {
    fn fields(&self) -> Fields {
        let mut f = self.controller.fields();
        f.absorb(self.namespace.fields());
        f.put("active_namespaces", &self.active_namespaces);
        f.absorb(self.health.fields());
        f.absorb(nvme_history::error_fields(&self.errors));
        f.nest("device_self_test", self.self_tests.fields());
        f.put("sanitize_status", &self.sanitize_state);
        f
    }
}

fn ata(replies: &Replies) -> Ata {
    let page = |q| Page::from_reply(replies.get(q), 512);
    let several = |q| Page::variable(replies.get(q), 512);
    let mut statistics = Statistics::default();
    for number in 1..=7 {
        let q = Question::AtaGpl(0x04, number);
        if replies.asked(q) {
            let found = ata_statistics::page(number, &page(q));
            statistics.add(number, found);
        }
    }
    if let Reply::Bytes(bytes) = replies.get(Question::AtaLog(0x04)) {
        statistics.add_smart_log(bytes);
    }
    // The extended error log may go on over further pages of its log.
    let mut extended: Reply = replies.get(Question::AtaGpl(0x03, 0)).clone();
    if let Reply::Bytes(all) = &mut extended {
        for number in 1..=u8::MAX {
            match replies.get(Question::AtaGpl(0x03, number)) {
                Reply::Bytes(more) if all.len() == usize::from(number) * 512 => all.extend(more),
                _ => break,
            }
        }
    }
    Ata {
        identify: Identify::decode(&Page::from_reply(
            replies.get(Question::AtaIdentify),
            ata_identify::BYTES,
        )),
        native_sectors: ata_identify::native_sectors(replies.get(Question::AtaNativeMax)),
        smart: Smart::decode(
            &page(Question::AtaSmartData),
            &page(Question::AtaSmartThresholds),
        ),
        status: match replies.get(Question::AtaSmartStatus) {
            Reply::Bytes(bytes) => ata_smart::status(bytes),
            Reply::NotReported => Known::NotReported,
            Reply::Unread(why) => Known::Unread { why: why.clone() },
        },
        summary_errors: ErrorLog::summary(&page(Question::AtaLog(0x01))),
        comprehensive_errors: ErrorLog::summary(&several(Question::AtaLog(0x02))),
        extended_errors: ErrorLog::extended(&Page::variable(&extended, 512)),
        self_tests: SelfTestLog::short(&page(Question::AtaLog(0x06))),
        extended_self_tests: SelfTestLog::extended(&page(Question::AtaGpl(0x07, 0))),
        statistics,
    }
}

impl Ata {
    fn fields(&self) -> Fields {
        let mut f = self.identify.fields();
        f.put("native_sectors", &self.native_sectors);
        f.set("status", status_word(&self.status));
        if let Some(why) = self.status.why_not() {
            f.why.insert("status".to_owned(), Value::String(why));
        }
        f.absorb(self.smart.fields());
        let mut sums = Fields::default();
        sums.put("identify", &self.identify.checksum_ok);
        sums.put("smart_data", &self.smart.data_checksum_ok);
        sums.put("thresholds", &self.smart.thresholds_checksum_ok);
        f.nest("checksums_ok", sums);
        f.set("limits_crossed", self.limits_crossed());
        f.nest("summary_error_log", self.summary_errors.fields());
        f.nest(
            "comprehensive_error_log",
            self.comprehensive_errors.fields(),
        );
        f.nest("extended_error_log", self.extended_errors.fields());
        f.nest("self_test_log", self.self_tests.fields());
        f.nest("extended_self_test_log", self.extended_self_tests.fields());
        f.absorb(self.statistics.fields());
        f
    }

    fn limits_crossed(&self) -> Vec<Value> {
        let attributes = self.smart.attributes.value().into_iter().flatten();
        attributes
            .filter(|a| a.crossed_ever() == Some(true))
            .map(|a| {
                let when = if a.crossed_now() == Some(true) {
                    "now"
                } else {
                    "once"
                };
                json!({ "id": a.id, "when": when, "pre_failure": a.pre_failure() })
            })
            .collect()
    }
}

fn scsi(replies: &Replies) -> Scsi {
    let vpd = |n| Page::variable(replies.get(Question::ScsiVpd(n)), 4);
    Scsi {
        inquiry: Inquiry::decode(&Page::variable(replies.get(Question::ScsiInquiry), 36)),
        vpd: Vpd::decode(&vpd(0x00), &vpd(0x80), &vpd(0x83), &vpd(0x89), &vpd(0xb1)),
        logs: Logs::decode(|n| Page::variable(replies.get(Question::ScsiLog(n)), 4)),
    }
}

impl Scsi {
    /// Model as an adapter or a drive names it: vendor and product, or the product alone
    /// when a translation layer speaks.
    pub fn model(&self) -> Known<String> {
        let product = self.inquiry.product.clone();
        if self.inquiry.translates_ata() {
            return product;
        }
        product.then(|product| {
            Known::Value(match self.inquiry.vendor.value() {
                Some(vendor) => format!("{vendor} {product}"),
                None => product,
            })
        })
    }
}
