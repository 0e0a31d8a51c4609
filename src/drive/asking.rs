//! Which questions a drive is asked, in which order, and when to stop.
//!
//! Invariant: a command set that is not there is left after at most two questions; a link that
//! stopped answering is left at once; what the drive says it cannot do is not asked for
//! (some drives count every refused command as an error).

use super::health::ata_identify::{self, Identify};
use super::health::nvme_identify::{self, Controller};
use super::health::page::Page;
use super::health::{ata_statistics, scsi_inquiry, scsi_log};
use super::question::{Question, Reply};
use super::replies::Replies;
use crate::port::Transport;
use serde::{Deserialize, Serialize};

/// What is known of the device before it is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Hint {
    /// The only command sets worth trying; `None` = all in turn.
    #[serde(default)]
    pub bus: Option<Bus>,
    /// The replies are recorded ones: everything may be asked at no cost.
    #[serde(default)]
    pub recorded: bool,
    /// Size of the device in bytes, as the kernel says.
    #[serde(default)]
    pub bytes: Option<u64>,
    /// Logical sector size in bytes, as the kernel says.
    #[serde(default)]
    pub sector_bytes: Option<u32>,
}

/// How the device is attached, as far as it decides what to ask.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Bus {
    /// NVMe.
    Nvme,
    /// ATA through a translation layer, native SCSI, or an adapter: ATA, then SCSI.
    Scsi,
    /// eMMC or SD.
    Mmc,
}

impl Hint {
    /// For replies out of a folder.
    pub fn recorded() -> Self {
        Self {
            recorded: true,
            ..Self::default()
        }
    }

    /// A memory card or soldered card chip.
    pub fn is_card(&self) -> bool {
        self.bus == Some(Bus::Mmc)
    }
}

/// Asks everything worth asking.
pub fn ask_all(transport: &mut dyn Transport, hint: &Hint) -> Replies {
    let mut asker = Asker {
        transport,
        replies: Replies::default(),
    };
    if hint.recorded {
        for question in every_question() {
            asker.bytes(question);
        }
        asker.extended_errors();
        return asker.replies;
    }
    let tries = |bus| hint.bus.is_none_or(|only| only == bus);
    if tries(Bus::Nvme) && asker.nvme() {
        return asker.replies;
    }
    if tries(Bus::Scsi) {
        let ata = asker.ata();
        if asker.scsi(ata) || ata {
            return asker.replies;
        }
    }
    if tries(Bus::Mmc) {
        asker.bytes(Question::MmcLifeTime);
        asker.bytes(Question::MmcPreEol);
    }
    asker.replies
}

/// The closed list, as far as any decoder of ours reads it.
pub fn every_question() -> Vec<Question> {
    let mut all = vec![
        Question::NvmeIdentifyController,
        Question::NvmeIdentifyNamespace,
        Question::NvmeActiveNamespaces,
        Question::AtaIdentify,
        Question::AtaNativeMax,
        Question::AtaSmartData,
        Question::AtaSmartThresholds,
        Question::AtaSmartStatus,
        Question::ScsiInquiry,
        Question::MmcLifeTime,
        Question::MmcPreEol,
        Question::AtaGpl(0x03, 0),
        Question::AtaGpl(0x07, 0),
    ];
    all.extend([0x01, 0x02, 0x06, 0x81].map(Question::NvmeLog));
    all.extend([0x01, 0x02, 0x04, 0x06].map(Question::AtaLog));
    all.extend((0..=7).map(|page| Question::AtaGpl(0x04, page)));
    all.extend(VPD_PAGES.map(Question::ScsiVpd));
    all.push(Question::ScsiVpd(0));
    all.extend(SCSI_LOGS.map(Question::ScsiLog));
    all.push(Question::ScsiLog(0));
    all
}

const VPD_PAGES: [u8; 4] = [0x80, 0x83, 0x89, 0xb1];
const SCSI_LOGS: [u8; 8] = [0x02, 0x03, 0x05, 0x0d, 0x0e, 0x10, 0x11, 0x2f];

/// Words of a link that stopped answering: going on may hang an adapter until it is replugged.
fn link_trouble(reply: &Reply) -> bool {
    const WORDS: [&str; 7] = [
        "ETIMEDOUT",
        "ENODEV",
        "ENXIO",
        "ENOLINK",
        "time ran out",
        "timed out",
        "no answer",
    ];
    matches!(reply, Reply::Unread(why) if WORDS.iter().any(|word| why.contains(word)))
}

struct Asker<'a> {
    transport: &'a mut dyn Transport,
    replies: Replies,
}

impl Asker<'_> {
    /// Asks once; true when bytes with content came.
    fn bytes(&mut self, question: Question) -> bool {
        if !self.replies.asked(question) {
            let reply = self.transport.ask(question);
            self.replies.put(question, reply);
        }
        Page::variable(self.replies.get(question), 1).has_content()
    }

    /// Asks the identity, and when that fails (but the link is alive) one health page. True when
    /// the family is there.
    fn there(&mut self, identity: Question, core: Question) -> bool {
        if self.bytes(identity) {
            return true;
        }
        !link_trouble(self.replies.get(identity)) && self.bytes(core)
    }

    fn nvme(&mut self) -> bool {
        let health = Question::NvmeLog(0x02);
        if !self.there(Question::NvmeIdentifyController, health) {
            return false;
        }
        self.bytes(Question::NvmeIdentifyNamespace);
        self.bytes(health);
        self.bytes(Question::NvmeLog(0x01));
        let reply = self.replies.get(Question::NvmeIdentifyController);
        let controller = Controller::decode(&Page::from_reply(reply, nvme_identify::BYTES));
        if controller.nn.get() != Some(1) {
            self.bytes(Question::NvmeActiveNamespaces);
        }
        if controller.oacs.get().is_none_or(|oacs| oacs & 0x10 != 0) {
            self.bytes(Question::NvmeLog(0x06));
        }
        if controller.sanicap.get().is_none_or(|can| can & 0x07 != 0) {
            self.bytes(Question::NvmeLog(0x81));
        }
        true
    }

    fn ata(&mut self) -> bool {
        if !self.there(Question::AtaIdentify, Question::AtaSmartData) {
            return false;
        }
        let reply = self.replies.get(Question::AtaIdentify);
        let identify = Identify::decode(&Page::from_reply(reply, ata_identify::BYTES));
        // Only a drive that says that it can hide sectors is asked whether it does.
        if identify.host_protected_area_enabled.get() == Some(true) {
            self.bytes(Question::AtaNativeMax);
        }
        if identify.smart_supported.get() != Some(false) {
            let data = self.bytes(Question::AtaSmartData);
            if link_trouble(self.replies.get(Question::AtaSmartData)) {
                return true;
            }
            self.bytes(Question::AtaSmartStatus);
            if data {
                self.bytes(Question::AtaSmartThresholds);
                // Both are answered by many drives that do not claim them in words 84 and 87.
                self.bytes(Question::AtaLog(0x06));
                self.bytes(Question::AtaLog(0x01));
                if self.listed(Question::AtaLog(0x00), 0x02) == Some(true) {
                    self.bytes(Question::AtaLog(0x02));
                }
            }
        }
        if identify.gpl_supported.get() != Some(false) {
            self.general_purpose();
        }
        let refused = matches!(
            self.replies.get(Question::AtaGpl(0x04, 0)),
            Reply::Unread(_)
        );
        let without = identify.gpl_supported.get() == Some(false) || refused;
        if without && self.listed(Question::AtaLog(0x00), 0x04) == Some(true) {
            self.bytes(Question::AtaLog(0x04));
        }
        true
    }

    fn general_purpose(&mut self) {
        let directory = Question::AtaGpl(0x00, 0);
        if self.listed(directory, 0x04) != Some(false) {
            let list = Question::AtaGpl(0x04, 0);
            self.bytes(list);
            let pages = match self.replies.get(list) {
                Reply::Unread(_) => Vec::new(),
                reply => ata_statistics::listed(&Page::from_reply(reply, ata_statistics::BYTES))
                    .value()
                    .cloned()
                    .unwrap_or_else(|| (1..=7).collect()),
            };
            for page in pages.into_iter().filter(|page| (1..=7).contains(page)) {
                self.bytes(Question::AtaGpl(0x04, page));
            }
        }
        if self.listed(directory, 0x07) != Some(false) {
            self.bytes(Question::AtaGpl(0x07, 0));
        }
        if self.listed(directory, 0x03) != Some(false) {
            self.bytes(Question::AtaGpl(0x03, 0));
            self.extended_errors();
        }
    }

    /// The further pages of the extended error log, up to the one that holds the newest entry.
    fn extended_errors(&mut self) {
        let first = Page::variable(self.replies.get(Question::AtaGpl(0x03, 0)), 512);
        // Four entries a page; 32 pages are more than any log seen (engineering judgement).
        let newest = first.le16(2).get().unwrap_or(0);
        let last = u8::try_from(newest.saturating_sub(1) / 4)
            .unwrap_or(0)
            .min(31);
        for page in 1..=last {
            if !self.bytes(Question::AtaGpl(0x03, page)) {
                return;
            }
        }
    }

    /// Whether a log directory lists `log`; `None` = no directory.
    fn listed(&mut self, directory: Question, log: u8) -> Option<bool> {
        if !self.bytes(directory) {
            return None;
        }
        let page = Page::variable(self.replies.get(directory), 512);
        page.le16(usize::from(log) * 2)
            .get()
            .map(|sectors| sectors > 0)
    }

    fn scsi(&mut self, ata_answers: bool) -> bool {
        if !self.bytes(Question::ScsiInquiry) {
            return false;
        }
        self.bytes(Question::ScsiVpd(0));
        let list = match self.replies.get(Question::ScsiVpd(0)) {
            Reply::Unread(_) => Vec::new(),
            reply => scsi_inquiry::supported_pages(&Page::variable(reply, 4))
                .value()
                .cloned()
                .unwrap_or_else(|| VPD_PAGES.to_vec()),
        };
        for page in VPD_PAGES.into_iter().filter(|page| list.contains(page)) {
            self.bytes(Question::ScsiVpd(page));
        }
        if ata_answers {
            // A translation layer has no log pages of its own; the drive has told all by ATA.
            return true;
        }
        self.bytes(Question::ScsiLog(0));
        let list = match self.replies.get(Question::ScsiLog(0)) {
            Reply::Unread(_) => Vec::new(),
            reply => scsi_log::supported(&Page::variable(reply, 4))
                .value()
                .cloned()
                .unwrap_or_else(|| SCSI_LOGS.to_vec()),
        };
        for page in SCSI_LOGS.into_iter().filter(|page| list.contains(page)) {
            self.bytes(Question::ScsiLog(page));
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::health::pages::Family;

    struct Fake {
        replies: Replies,
        asked: Vec<Question>,
    }

    impl Transport for Fake {
        fn ask(&mut self, question: Question) -> Reply {
            assert!(!self.asked.contains(&question), "{question:?} asked twice");
            self.asked.push(question);
            self.replies.get(question).clone()
        }
        fn says(&self) -> String {
            "a fake".into()
        }
    }

    fn run(replies: &[(Question, Reply)], hint: Hint) -> Vec<Question> {
        let mut fake = Fake {
            replies: Replies::default(),
            asked: Vec::new(),
        };
        for (question, reply) in replies {
            fake.replies.put(*question, reply.clone());
        }
        ask_all(&mut fake, &hint);
        fake.asked
    }

    const IDENTIFY: &[u8] = include_bytes!("../../tests/fixtures/pages/ata-identify.bin");
    const CONTROLLER: &[u8] =
        include_bytes!("../../tests/fixtures/pages/nvme-identify-controller.bin");

    #[test]
    fn a_missing_family_costs_two_questions_and_a_dead_link_one() {
        let asked = run(
            &[],
            Hint {
                bus: Some(Bus::Nvme),
                ..Hint::default()
            },
        );
        assert_eq!(
            asked,
            [Question::NvmeIdentifyController, Question::NvmeLog(2)]
        );
        let dead = Reply::Unread("ETIMEDOUT".into());
        let asked = run(
            &[(Question::NvmeIdentifyController, dead)],
            Hint {
                bus: Some(Bus::Nvme),
                ..Hint::default()
            },
        );
        assert_eq!(asked, [Question::NvmeIdentifyController]);
    }

    #[test]
    fn an_nvme_drive_is_asked_nothing_else() {
        let asked = run(
            &[(
                Question::NvmeIdentifyController,
                Reply::Bytes(CONTROLLER.to_vec()),
            )],
            Hint::default(),
        );
        assert!(asked.iter().all(|q| Family::of(*q) == Family::Nvme));
        assert!(asked.contains(&Question::NvmeLog(6)));
        let mut no_tests = CONTROLLER.to_vec();
        no_tests[256..258].fill(0);
        no_tests[328..332].fill(0);
        let asked = run(
            &[(Question::NvmeIdentifyController, Reply::Bytes(no_tests))],
            Hint::default(),
        );
        assert!(!asked.contains(&Question::NvmeLog(6)));
        assert!(!asked.contains(&Question::NvmeLog(0x81)));
    }

    #[test]
    fn an_ata_drive_is_asked_for_what_it_lists() {
        let mut directory = vec![0u8; 512];
        directory[0] = 1;
        directory[8] = 8;
        let mut list = vec![0u8; 512];
        list[0] = 1;
        list[8..12].copy_from_slice(&[3, 0, 1, 3]);
        let asked = run(
            &[
                (Question::AtaIdentify, Reply::Bytes(IDENTIFY.to_vec())),
                (Question::AtaGpl(0, 0), Reply::Bytes(directory)),
                (Question::AtaGpl(4, 0), Reply::Bytes(list)),
            ],
            Hint {
                bus: Some(Bus::Scsi),
                ..Hint::default()
            },
        );
        assert!(asked.contains(&Question::AtaGpl(4, 3)));
        assert!(!asked.contains(&Question::AtaGpl(4, 5)));
        assert!(!asked.contains(&Question::AtaGpl(7, 0)));
        assert!(asked.contains(&Question::ScsiInquiry));
        assert!(!asked.contains(&Question::ScsiLog(0)));
    }

    #[test]
    fn only_a_drive_that_can_hide_sectors_is_asked_whether_it_does() {
        let asked = |on: bool| {
            let mut identify = IDENTIFY.to_vec();
            // Word 85 bit 10: the protected area feature is switched on (ACS-2, 7.12).
            identify[171] = identify[171] & !0x04 | u8::from(on) << 2;
            let hint = Hint {
                bus: Some(Bus::Scsi),
                ..Hint::default()
            };
            run(&[(Question::AtaIdentify, Reply::Bytes(identify))], hint)
        };
        assert!(asked(true).contains(&Question::AtaNativeMax));
        assert!(!asked(false).contains(&Question::AtaNativeMax));
    }

    #[test]
    fn a_refused_list_of_log_pages_ends_the_log_questions() {
        let mut inquiry = vec![0u8; 36];
        inquiry[2] = 6;
        let refused = Reply::Unread("sense 05/20/00".into());
        let asked = run(
            &[
                (Question::ScsiInquiry, Reply::Bytes(inquiry)),
                (Question::AtaIdentify, refused.clone()),
                (Question::AtaSmartData, refused.clone()),
                (Question::ScsiLog(0), refused),
            ],
            Hint {
                bus: Some(Bus::Scsi),
                ..Hint::default()
            },
        );
        assert!(asked.contains(&Question::ScsiLog(0)));
        assert!(!asked.contains(&Question::ScsiLog(3)));
    }

    #[test]
    fn recordings_are_asked_everything() {
        let asked = run(&[], Hint::recorded());
        assert_eq!(asked, every_question());
    }
}
