//! The pen: what all papers write in the same way, from one account, in one language.
//!
//! Invariant: with [`Names::Folders`] no file name of the owner leaves the pen, only the folder above it.

use super::Names;
use super::account::{
    Account, Answer, ClassTotals, DestinationLine, DriveLine, FIRST, MustHave, OtherDrive,
    PointLine, SignalLine, WaiverLine,
};
use super::leaf::{Block, Leaf, Look, Section};
use super::sentence::Sentence;
use super::words::{Language, Phrase};
use super::{german, matter};
use crate::judge::working::range_in_words;
use crate::survey::item::Class;
use crate::value::words::Who;
use crate::value::{Amount, Probability};
use crate::value::{Counter128, Moment};

/// One hand writing one paper.
#[derive(Debug, Clone, Copy)]
pub struct Pen<'a> {
    /// What is written about.
    pub account: &'a Account,
    /// In which language.
    pub language: Language,
    /// Whether file names are written.
    pub names: Names,
}

impl Pen<'_> {
    /// An empty leaf with its head and title.
    pub fn leaf(&self, look: Look, title: Sentence) -> Leaf {
        Leaf {
            language: self.language,
            look,
            title: self.plain(title),
            head: self.say(
                Sentence::Head,
                &[
                    ("job", Phrase::given(&self.account.job)),
                    ("at", self.moment(self.account.at)),
                ],
            ),
            foot: self.foot(),
            practice: self
                .account
                .policy
                .practice
                .then(|| self.plain(Sentence::Practice)),
            sections: Vec::new(),
        }
    }

    /// What stands at the foot of every page: a loose page is known by it.
    fn foot(&self) -> Phrase {
        let serials = self
            .account
            .drives
            .iter()
            .map(|drive| match drive.serial.as_deref() {
                Some(serial) if !serial.trim().is_empty() => Phrase::given(serial),
                _ => self.plain(Sentence::Unknown),
            });
        let job = ("job", Phrase::given(&self.account.job));
        match Phrase::joined(serials.take(4), ", ") {
            none if none.0.is_empty() => self.say(Sentence::FootFolder, &[job]),
            serial => self.say(Sentence::Foot, &[job, ("serial", serial)]),
        }
    }

    /// A sentence with its holes filled.
    pub fn say(&self, sentence: Sentence, values: &[(&str, Phrase)]) -> Phrase {
        self.language.say(sentence, values)
    }

    /// A sentence about `n` things.
    pub fn say_of(&self, sentence: Sentence, n: u64, values: &[(&str, Phrase)]) -> Phrase {
        self.language.say_of(sentence, n, values)
    }

    /// A sentence without holes.
    pub fn plain(&self, sentence: Sentence) -> Phrase {
        self.say(sentence, &[])
    }

    /// A count.
    pub fn count(&self, n: u64) -> Phrase {
        Phrase::amount(self.language.count(n))
    }

    /// A size.
    pub fn bytes(&self, bytes: u64) -> Phrase {
        Phrase::amount(self.language.bytes(bytes))
    }

    /// A day.
    pub fn day(&self, at: Moment) -> Phrase {
        Phrase::amount(self.language.day(at, self.account.offset_minutes))
    }

    /// A day that may not be known.
    pub fn day_if(&self, at: Option<Moment>) -> Phrase {
        at.map_or_else(|| self.plain(Sentence::Unknown), |at| self.day(at))
    }

    /// A moment.
    pub fn moment(&self, at: Moment) -> Phrase {
        let text = self.language.moment(at, self.account.offset_minutes);
        match text.split_once(", ") {
            Some((day, time)) => Phrase::amount(day)
                .then(Phrase::said(", "))
                .then(Phrase::amount(time)),
            None => Phrase::amount(text),
        }
    }

    /// Something recorded, or the words that it was not.
    pub fn recorded(&self, text: &str) -> Phrase {
        if text.trim().is_empty() {
            self.plain(Sentence::NotRecorded)
        } else {
            Phrase::given(text)
        }
    }

    /// A recorded text that ends a sentence of ours: without its own full stop.
    pub fn clause(&self, text: &str) -> Phrase {
        self.recorded(text.trim_end().trim_end_matches('.'))
    }

    /// A path as the paper may show it.
    pub fn path(&self, path: &str) -> Phrase {
        match self.names {
            Names::Full => Phrase::given(path),
            Names::Folders => self.folder_above(path),
        }
    }

    pub(super) fn folder_above(&self, path: &str) -> Phrase {
        match path.trim_end_matches('/').rsplit_once('/') {
            Some((folder, _)) if !folder.is_empty() => Phrase::given(folder),
            _ => self.plain(Sentence::TopFolder),
        }
    }

    /// A counter of the drive.
    pub fn counter(&self, n: Counter128) -> Phrase {
        match u64::try_from(n.0) {
            Ok(n) => self.count(n),
            Err(_) => Phrase::amount(n.0.to_string()),
        }
    }

    /// What a label shows, in large letters; `None` and blanks are said to be unknown.
    pub fn large(&self, label: Sentence, value: Option<&str>) -> Block {
        Block::Large {
            label: self.plain(label),
            value: match value {
                Some(text) if !text.trim().is_empty() => Phrase::exact(text),
                _ => self.plain(Sentence::Unknown),
            },
        }
    }

    /// A drive in words: model, serial number, size.
    pub fn drive(&self, drive: &DriveLine) -> Phrase {
        self.named(drive.model.as_deref(), drive.serial.as_deref(), drive.bytes)
    }

    /// Another drive of the machine in words.
    pub fn other(&self, drive: &OtherDrive) -> Phrase {
        self.named(drive.model.as_deref(), drive.serial.as_deref(), drive.bytes)
    }

    fn named(&self, model: Option<&str>, serial: Option<&str>, bytes: Option<u64>) -> Phrase {
        let known = |text: Option<&str>, unknown| match text {
            Some(text) if !text.trim().is_empty() => Phrase::given(text),
            _ => self.plain(unknown),
        };
        self.say(
            Sentence::DriveNamed,
            &[
                ("model", known(model, Sentence::ModelUnknown)),
                ("serial", known(serial, Sentence::Unknown)),
                (
                    "bytes",
                    bytes.map_or_else(|| self.plain(Sentence::SizeUnknown), |b| self.bytes(b)),
                ),
            ],
        )
    }

    /// Everything on hold, one phrase each.
    pub fn on_hold(&self) -> Vec<Phrase> {
        let mut out: Vec<_> = self.account.drives.iter().map(|d| self.drive(d)).collect();
        if let Some(path) = &self.account.folder {
            out.push(self.say(Sentence::FolderNamed, &[("path", Phrase::given(path))]));
        }
        out
    }

    /// A number of items and their bytes.
    pub fn amount(&self, amount: Amount) -> Phrase {
        self.say_of(
            Sentence::ItemsOf,
            amount.items,
            &[("bytes", self.bytes(amount.bytes))],
        )
    }

    /// How the items of a class ended, in one sentence; ends that nothing reached are not mentioned.
    pub fn class(&self, class: Class, counts: &ClassTotals) -> Phrase {
        let name = self.plain(match class {
            Class::Irreplaceable => Sentence::Irreplaceable,
            Class::HardToReplace => Sentence::HardToReplace,
            Class::Replaceable => Sentence::Replaceable,
            Class::Rebuildable => Sentence::Rebuildable,
        });
        if counts.left_out == counts.all && counts.all.items > 0 {
            let bytes = self.bytes(counts.all.bytes);
            return self
                .say_of(
                    Sentence::ClassLeftOut,
                    counts.all.items,
                    &[("class", name), ("bytes", bytes)],
                )
                .then(Phrase::said("."));
        }
        let saved = self.say_of(
            Sentence::ClassSaved,
            counts.all.items,
            &[
                ("class", name),
                ("saved", self.count(counts.verified.items)),
                ("saved_bytes", self.bytes(counts.verified.bytes)),
                ("bytes", self.bytes(counts.all.bytes)),
            ],
        );
        let ends = [
            (Sentence::EndDamaged, counts.damaged),
            (Sentence::EndUnreadable, counts.unreadable),
            (Sentence::EndPlaceholder, counts.placeholder),
            (Sentence::EndLeftOut, counts.left_out),
            (Sentence::EndWaived, counts.waived),
            (Sentence::EndUnsettled, counts.unsettled()),
        ]
        .into_iter()
        .filter(|(_, amount)| *amount != Amount::default())
        .map(|(end, amount)| {
            self.say_of(end, amount.items, &[("bytes", self.bytes(amount.bytes))])
        });
        Phrase::joined(std::iter::once(saved).chain(ends), "; ").then(Phrase::said("."))
    }

    /// Adds what every class came to.
    pub fn classes(&self, section: &mut Section) {
        section.list(
            self.account
                .classes
                .iter()
                .map(|line| self.class(line.class, &line.counts))
                .collect(),
        );
    }

    /// What the owner named, and what was found of it.
    pub fn asked(&self) -> Section {
        let mut section = Section::headed(self.plain(Sentence::Asked));
        if self.account.must_haves.is_empty() {
            section.para(self.plain(Sentence::AskedNone));
        }
        section.list(self.first(&self.account.must_haves, |asked| self.must_have(asked)));
        section
    }

    /// At most [`FIRST`] entries, then how many more there are.
    pub fn first<T>(&self, all: &[T], write: impl Fn(&T) -> Phrase) -> Vec<Phrase> {
        let mut out: Vec<_> = all.iter().take(FIRST).map(write).collect();
        let more = all.len().saturating_sub(FIRST) as u64;
        if more > 0 {
            out.push(self.say_of(Sentence::More, more, &[]));
        }
        out
    }

    /// What the rules left out.
    pub fn left_out(&self) -> Vec<Phrase> {
        self.first(&self.account.left_out, |rule| {
            if let Some(what) = matter::rule(&rule.rule, self.language) {
                let values = [
                    ("what", Phrase::said(what)),
                    ("bytes", self.bytes(rule.bytes)),
                ];
                return self.say_of(Sentence::RuleKnown, rule.items, &values);
            }
            self.say_of(
                Sentence::RuleLine,
                rule.items,
                &[
                    ("rule", Phrase::given(&rule.rule)),
                    ("bytes", self.bytes(rule.bytes)),
                    ("why", Phrase::given(&rule.why)),
                ],
            )
        })
    }

    /// One waiver, with its proof and its frozen set.
    pub fn waiver(&self, waiver: &WaiverLine) -> Phrase {
        let how = match waiver.how.as_str() {
            "signed" => self.plain(Sentence::Signed),
            "message" => self.plain(Sentence::Message),
            "phone" => self.plain(Sentence::Phone),
            "own decision" => self.plain(Sentence::OwnDecision),
            other => self.recorded(other),
        };
        let mut what = match matter::decision(&waiver.about, self.language) {
            Some(words) => Phrase::said(words),
            None => Phrase::given(&waiver.what),
        };
        if waiver.folders > 0 {
            what = self.say_of(Sentence::WaiverFolders, waiver.folders, &[("what", what)]);
        }
        let sentence = match waiver.count {
            0 => Sentence::WaiverPoint,
            _ => Sentence::WaiverLine,
        };
        let mut out = self.say_of(
            sentence,
            waiver.count,
            &[
                ("what", what),
                ("bytes", self.bytes(waiver.bytes)),
                ("why", self.clause(&waiver.why)),
                ("who", self.decider(waiver.decided_by)),
                ("name", self.recorded(&waiver.name)),
                ("how", how),
                ("at", self.moment(waiver.at)),
            ],
        );
        if let Some(proof) = &waiver.proof {
            out = out.and(self.say(Sentence::WaiverProof, &[("proof", Phrase::given(proof))]));
        }
        if self.names == Names::Full && !waiver.paths.is_empty() {
            let paths = self.first(&waiver.paths, |path| self.path(path));
            out = out.and(self.say(
                Sentence::WaiverPaths,
                &[("paths", Phrase::joined(paths, ", "))],
            ));
        }
        out
    }

    /// One piece of evidence from a health reading.
    pub fn signal(&self, signal: &SignalLine) -> Phrase {
        match german::signal(signal) {
            Some(template) if self.language == Language::German => {
                let n = signal.value.unwrap_or_default();
                super::words::fill(template, n == 1, &[("n", self.count(n))])
            }
            _ => self.clause(&signal.says),
        }
    }

    /// A chance as a range.
    pub fn chance(&self, (low, high): (f64, f64)) -> Phrase {
        let range = range_in_words(Probability::new(low), Probability::new(high));
        Phrase::amount(match self.language {
            Language::English => range,
            Language::German => german::chance(&range),
        })
    }

    /// Who decides.
    pub fn decider(&self, who: Who) -> Phrase {
        self.plain(match who {
            Who::Owner => Sentence::Owner,
            Who::Technician => Sentence::Technician,
            Who::Nobody => Sentence::Nobody,
        })
    }

    /// One must-have and what became of it.
    pub fn must_have(&self, asked: &MustHave) -> Phrase {
        let sentence = match asked.answer {
            // "Found" without a place is no answer.
            Answer::Found if asked.found.is_empty() => Sentence::AskedOpen,
            Answer::Found => Sentence::AskedFound,
            Answer::NotHere => Sentence::AskedNotHere,
            Answer::Unanswered => Sentence::AskedOpen,
        };
        let mut places: Vec<String> = asked.found.clone();
        if self.names == Names::Folders {
            places.dedup_by(|a, b| {
                a.rsplit_once('/').map(|p| p.0) == b.rsplit_once('/').map(|p| p.0)
            });
        }
        let n = asked.not_whole;
        let sentence = match sentence {
            Sentence::AskedFound if n > 0 => Sentence::AskedFoundInPart,
            sentence => sentence,
        };
        self.say_of(
            sentence,
            n,
            &[
                ("n", self.count(n)),
                ("asked", Phrase::given(&asked.asked)),
                (
                    "places",
                    Phrase::joined(self.first(&places, |path| self.path(path)), ", "),
                ),
                ("reason", self.recorded(&asked.reason)),
            ],
        )
    }

    /// One open point: what is open, and what would be lost.
    pub fn point(&self, point: &PointLine) -> Phrase {
        let (says, lost) = self.point_words(point);
        self.say(Sentence::PointLine, &[("says", says), ("lost", lost)])
    }

    /// What a point says and what is lost, in the language of the paper where there are words for it.
    pub fn point_words(&self, point: &PointLine) -> (Phrase, Phrase) {
        if self.language == Language::German
            && let Some((says, lost)) = german::point(&point.id)
        {
            let n = [("n", self.count(point.count))];
            let lost = match lost {
                "" => self.clause(&point.lost),
                lost => Phrase::said(lost),
            };
            return (super::words::fill(says, point.count == 1, &n), lost);
        }
        let mut says = point.says.chars();
        let says: String = says.next().map_or_else(String::new, |first| {
            first.to_uppercase().chain(says).collect()
        });
        (self.clause(&says), self.clause(&point.lost))
    }

    /// Adds the copies in doubt: the first by name, or by folder where names are not wanted or there are more.
    pub fn doubtful(&self, section: &mut Section) {
        let doubtful = &self.account.doubtful;
        let all = doubtful.all;
        let bytes = [("bytes", self.bytes(all.bytes))];
        section.para(self.say_of(Sentence::DoubtfulTotal, all.items, &bytes));
        let named = self.names == Names::Full && count_of(&doubtful.first) >= all.items;
        if named {
            section.list(self.first(&doubtful.first, |(path, bytes)| {
                let values = [("path", self.path(path)), ("bytes", self.bytes(*bytes))];
                self.say(Sentence::DoubtfulItem, &values)
            }));
            return;
        }
        if self.names == Names::Full && !doubtful.first.is_empty() {
            section.para(self.say_of(Sentence::LostFirst, count_of(&doubtful.first), &[]));
            section.list(self.first(&doubtful.first, |(path, bytes)| {
                let values = [("path", self.path(path)), ("bytes", self.bytes(*bytes))];
                self.say(Sentence::DoubtfulItem, &values)
            }));
        }
        if !doubtful.by_folder.is_empty() {
            section.para(self.plain(Sentence::LostByFolder));
            section.list(self.first(&doubtful.by_folder, |(folder, amount)| {
                let folder = match folder.as_str() {
                    "" => self.plain(Sentence::TopFolder),
                    folder => Phrase::given(folder),
                };
                let values = [("folder", folder), ("bytes", self.bytes(amount.bytes))];
                self.say_of(Sentence::DoubtfulFolder, amount.items, &values)
            }));
        }
        if let Some(file) = &doubtful.list {
            section.para(self.say(Sentence::DoubtfulList, &[("file", Phrase::given(file))]));
        }
    }

    /// One destination: what it is, whether it counts, how it was read back.
    pub fn destination(&self, line: &DestinationLine) -> Phrase {
        let standing = self.plain(match (line.independent, line.counts) {
            (true, _) => Sentence::Independent,
            (false, true) => Sentence::PracticeOnly,
            (false, false) => Sentence::Dependent,
        });
        // The reason is recorded in English; the word before it says the same in short.
        let sentence = if line.why.trim().is_empty() || self.language != Language::English {
            Sentence::CopyLine
        } else {
            Sentence::CopyLineWhy
        };
        // What the record adds for practice is said by the word before it.
        let why = line.why.split("; counted for practice only").next();
        let mut out = self.say(
            sentence,
            &[
                ("path", Phrase::given(&line.path)),
                ("fs", Phrase::given(&line.file_system)),
                ("standing", standing),
                ("why", self.clause(why.unwrap_or_default())),
            ],
        );
        let mut readings = self
            .account
            .verifications
            .iter()
            .filter(|reading| reading.destination == line.path)
            .peekable();
        if readings.peek().is_none() {
            return out
                .and(self.plain(Sentence::NotReadBack))
                .then(Phrase::said("."));
        }
        for reading in readings {
            let how = match reading.method.as_str() {
                "medium" => self.plain(Sentence::HowMedium),
                "network" => self.plain(Sentence::HowNetwork),
                "cache-suspected" => self.plain(Sentence::HowCache),
                other => self.recorded(other),
            };
            let says = self.say_of(
                Sentence::ReadBack,
                reading.items,
                &[
                    ("bytes", self.bytes(reading.bytes)),
                    ("how", how),
                    ("at", self.moment(reading.at)),
                ],
            );
            out = out.and(says).then(Phrase::said("."));
        }
        out
    }

    /// Who signed the certificate.
    pub fn signer(&self, signed_by: Option<&str>) -> Phrase {
        match signed_by {
            Some(key) => self.say(Sentence::SignedBy, &[("key", Phrase::exact(key))]),
            None => self.plain(Sentence::UnsignedRecord),
        }
    }
}

pub(super) fn count_of<T>(list: &[T]) -> u64 {
    list.len() as u64
}
