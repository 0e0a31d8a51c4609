//! What is not saved, as the papers name it: the sum, the first by name, all by folder.
//!
//! Invariant: a size that is not known makes the sum a lower bound, and the paper says so.

use super::Names;
use super::account::{FIRST, Lost, LostFolder, LostItem, LostPlace};
use super::leaf::Section;
use super::pen::{Pen, count_of};
use super::sentence::Sentence;
use super::words::Phrase;

impl Pen<'_> {
    /// Adds everything that is not saved: the sum, the first by name (if names are wanted), all by folder.
    pub fn not_saved(&self, section: &mut Section) {
        let lost = &self.account.not_saved;
        if lost.items == 0 && lost.first.is_empty() && lost.by_folder.is_empty() {
            section.para(self.plain(Sentence::LostNone));
            return;
        }
        let total = match lost.at_least {
            true => Sentence::LostTotalLeast,
            false => Sentence::LostTotal,
        };
        let missing = [("missing", self.bytes(lost.missing_bytes))];
        section.para(self.say_of(total, lost.items, &missing));
        let places = lost.places.len() as u64;
        if places > 0 {
            section.para(self.say_of(Sentence::LostPlaces, places, &[]));
            section.list(lost.places.iter().map(|at| self.lost_place(at)).collect());
        }
        let mut all_named = lost.items <= places;
        if self.names == Names::Full && !lost.first.is_empty() {
            let named: Vec<_> = lost
                .first
                .iter()
                .take(FIRST)
                .map(|item| self.lost(item))
                .collect();
            all_named = count_of(&named).saturating_add(places) >= lost.items;
            if !all_named {
                section.para(self.say_of(Sentence::LostFirst, count_of(&named), &[]));
            }
            section.list(named);
        }
        if !all_named {
            let folders = self.lost_folders();
            if !folders.is_empty() {
                section.para(self.plain(Sentence::LostByFolder));
                section.list(self.first(&folders, |folder| self.lost_folder(folder)));
            }
        }
    }

    /// Counts by folder; where the engine gave none, those of the named items.
    fn lost_folders(&self) -> Vec<LostFolder> {
        let lost = &self.account.not_saved;
        if !lost.by_folder.is_empty() {
            return lost.by_folder.clone();
        }
        let mut folders: Vec<LostFolder> = Vec::new();
        for item in &lost.first {
            let folder = item.path.rsplit_once('/').map_or("", |(folder, _)| folder);
            match folders.iter_mut().find(|known| known.folder == folder) {
                Some(known) => {
                    known.items = known.items.saturating_add(1);
                    known.missing_bytes = known.missing_bytes.saturating_add(item.missing_bytes);
                }
                None => folders.push(LostFolder {
                    folder: folder.to_owned(),
                    items: 1,
                    missing_bytes: item.missing_bytes,
                }),
            }
        }
        folders
    }

    fn lost_place(&self, at: &LostPlace) -> Phrase {
        let sentence = match at.bytes {
            0 if at.at_least => Sentence::LostPlaceUnknown,
            _ => Sentence::LostPlace,
        };
        let says = ("says", self.clause(&at.says));
        self.say(sentence, &[says, ("bytes", self.bytes(at.bytes))])
    }

    fn lost(&self, item: &LostItem) -> Phrase {
        let sentence = match item.what {
            Lost::Damaged => Sentence::LostDamaged,
            Lost::Unreadable => Sentence::LostUnreadable,
            Lost::Gone => Sentence::LostGone,
            Lost::Contradicted => Sentence::LostContradicted,
            Lost::Folder => Sentence::LostClosedFolder,
            Lost::Placeholder => Sentence::LostPlaceholder,
            Lost::PartPlaceholder => Sentence::LostPartPlaceholder,
            Lost::Waived => Sentence::LostWaived,
            Lost::Unsettled => Sentence::LostUnsettled,
        };
        self.say(
            sentence,
            &[
                ("path", self.path(&item.path)),
                ("missing", self.bytes(item.missing_bytes)),
                (
                    "bytes",
                    match item.size_unknown() {
                        true => self.plain(Sentence::SizeUnknown),
                        false => self.bytes(item.bytes),
                    },
                ),
            ],
        )
    }

    fn lost_folder(&self, folder: &LostFolder) -> Phrase {
        let name = if folder.folder.is_empty() {
            self.plain(Sentence::TopFolder)
        } else {
            Phrase::given(&folder.folder)
        };
        self.say_of(
            Sentence::LostFolder,
            folder.items,
            &[
                ("folder", name),
                ("missing", self.bytes(folder.missing_bytes)),
            ],
        )
    }
}
