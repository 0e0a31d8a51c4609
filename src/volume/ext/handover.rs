//! Handing everything over: from the root down, every name once, then what no folder leads to.
//!
//! Invariant: every inode in use is listed, or falls under a named rule (the file system's own, unlinked while open), or is
//! counted as damaged; what is wrong with an inode, or with the folder block that names it, is on the item.

use super::ground::Ground;
use super::groups::Groups;
use super::scan::ROOT;
use super::store::{Named, Row, Store};
use crate::survey::item::{Kind, Mark};
use crate::value::Name;
use crate::value::measure::bytes_in_words;
use crate::volume::filesystem::{Accounts, Findings, Found, Limits, Weight};
use crate::volume::ntfs::LOST_PARENT;
use crate::volume::ntfs::owners::Owners;

/// Hands everything over.
pub struct HandOver<'a, 'g, 's> {
    /// The volume.
    pub ground: &'a Ground<'g>,
    /// It was closed, or its journal was played: its bitmaps are as new as its inodes.
    pub settled: bool,
    /// Its groups.
    pub groups: &'a Groups,
    /// The notes.
    pub store: Store,
    /// Whose clusters are in doubt.
    pub owners: Owners,
    /// Bounds.
    pub limits: Limits,
    /// What was noticed.
    pub findings: Findings,
    /// Does it add up?
    pub accounts: Accounts,
    /// Names handed over.
    pub items: u64,
    /// Bytes of attributes that may still be handed over: inodes share them, and a hostile volume has many inodes.
    pub room: u64,
    /// Nothing is missing from the listing so far.
    pub whole: bool,
    /// Who gets them.
    pub see: &'s mut dyn FnMut(Found),
}

/// A folder waiting to be handed over.
struct Waiting {
    inode: u32,
    depth: u32,
}

impl HandOver<'_, '_, '_> {
    /// Everything.
    pub fn all(&mut self) {
        self.root();
        // Folders and files that no folder names, then folders that only lead to one another.
        for named in [false, true] {
            for place in 0..self.store.rows.len() {
                let Some(row) = self.store.rows.get(place).copied() else {
                    break;
                };
                let free = row.is(Row::FREE) || row.is(Row::LISTED | Row::OWN | Row::ORPHAN);
                if free || row.is(Row::UNREAD) || (row.names > 0) != named {
                    continue;
                }
                if self.items >= self.limits.items {
                    return self.stopped();
                }
                self.nameless(&row);
            }
        }
        self.settle();
    }

    fn root(&mut self) {
        let mut found = Found::new(
            ROOT.into(),
            ROOT.into(),
            Name::Bytes(Vec::new()),
            Kind::Folder,
        );
        match self
            .store
            .find(ROOT)
            .and_then(|place| self.store.rows.get(place).copied())
        {
            Some(row) if row.kind() == Kind::Folder && !row.is(Row::UNREAD) => {
                let notes = self.store.notes_of(&row);
                self.fill(&mut found, &row, &notes);
                self.findings.note_item(&found);
            }
            _ => {
                found.marks.set(Mark::Damaged);
                found.trouble = Some("the root folder's inode is unreadable or is none".to_owned());
                self.whole = false;
                self.findings
                    .note("root-lost", Weight::OpenPoint, Some(ROOT.into()), || {
                        "the root folder is lost: names stand without their paths".to_owned()
                    });
            }
        }
        self.flag(ROOT, Row::LISTED | Row::ENTERED);
        (self.see)(found);
        self.below(Waiting {
            inode: ROOT,
            depth: 0,
        });
    }

    pub(super) fn flag(&mut self, inode: u32, flags: u16) {
        if let Some(place) = self.store.find(inode)
            && let Some(row) = self.store.rows.get_mut(place)
        {
            row.flags |= flags;
        }
    }

    fn stopped(&mut self) {
        self.whole = false;
        let limit = self.limits.items;
        self.findings
            .note("too-many-items", Weight::OpenPoint, None, || {
                format!("more than {limit} names; the rest is not listed")
            });
    }

    /// A folder and everything below it.
    fn below(&mut self, folder: Waiting) {
        let mut waiting = vec![folder];
        while let Some(folder) = waiting.pop() {
            let names = self.store.names_of(folder.inode).to_vec();
            let hidden = self
                .store
                .find(folder.inode)
                .and_then(|place| self.store.rows.get(place))
                .is_some_and(|row| row.is(Row::ENCRYPTED));
            let mut rest = names.as_slice();
            while let Some(named) = Named::take(&mut rest) {
                if self.items >= self.limits.items {
                    return self.stopped();
                }
                let (found, enter) = self.named(&named, &folder, hidden);
                self.items += 1;
                self.findings.note_item(&found);
                (self.see)(found);
                if enter {
                    waiting.push(Waiting {
                        inode: named.inode,
                        depth: folder.depth + 1,
                    });
                }
            }
        }
    }

    /// One name, and whether to enter it.
    fn named(&mut self, named: &Named<'_>, folder: &Waiting, hidden: bool) -> (Found, bool) {
        let name = Name::Bytes(shown(named.name, hidden));
        let (number, parent) = (u64::from(named.inode), u64::from(folder.inode));
        let row = self
            .store
            .find(named.inode)
            .and_then(|place| self.store.rows.get(place).copied());
        let Some(row) = row.filter(|row| !row.is(Row::UNREAD)) else {
            let mut found = Found::new(number, parent, name, named.kind.unwrap_or(Kind::File));
            let (mark, why) = self.absent(named.inode, row.is_some());
            found.marks.set(mark);
            found.trouble = Some(why);
            self.flag(named.inode, Row::LISTED);
            return (found, false);
        };
        let mut found = Found::new(number, parent, name, row.kind());
        let notes = self.store.notes_of(&row);
        self.fill(&mut found, &row, &notes);
        let mut wrong = |why: &str| {
            found.marks.set(Mark::Damaged);
            found.trouble.get_or_insert_with(|| why.to_owned());
        };
        if named.doubtful {
            wrong("the block of the folder that names it is damaged or not its own");
        }
        if named.kind.is_some_and(|kind| kind != row.kind()) {
            wrong("its folder and its inode do not agree on what it is");
        }
        if named.name.iter().any(|byte| matches!(byte, 0 | b'/')) && !hidden {
            wrong("its name cannot be a name");
        }
        if row.is(Row::OWN) {
            wrong("its inode is one of the file system's own");
        } else if row.links == 0 {
            wrong("its inode says that it was deleted");
        }
        let mut enter = false;
        if row.kind() == Kind::Folder {
            if row.is(Row::ENTERED) {
                wrong("it leads to a folder that was already listed");
                self.not_entered(named.inode, "folders have two names or lead in circles");
            } else if folder.depth >= self.limits.depth {
                wrong("it lies too many folders deep");
                self.whole = false;
                self.not_entered(named.inode, "folders lie too deep");
            } else {
                enter = true;
            }
        } else if u32::from(row.links) > row.names {
            self.findings
                .note("names-missing", Weight::Sentence, Some(number), || {
                    format!(
                        "inode {number} says it has {} names, {} were found",
                        row.links, row.names
                    )
                });
        }
        let entered = if enter { Row::ENTERED } else { 0 };
        self.flag(named.inode, Row::LISTED | entered);
        (found, enter)
    }

    fn not_entered(&mut self, inode: u32, why: &str) {
        self.findings.note(
            "folder-not-entered",
            Weight::OpenPoint,
            Some(inode.into()),
            || format!("a folder was not entered: {why}"),
        );
    }

    /// Why a name has no inode.
    fn absent(&mut self, inode: u32, unread: bool) -> (Mark, String) {
        let sb = &self.ground.sb;
        let group = u64::from(inode.saturating_sub(1) / sb.group_inodes.max(1));
        let lost = usize::try_from(group)
            .ok()
            .and_then(|group| self.groups.get(group))
            .is_some_and(|group| !group.usable);
        if unread || lost {
            (Mark::Unreadable, "its inode could not be read".to_owned())
        } else if inode == 0 || inode > sb.inodes {
            (
                Mark::Damaged,
                format!("it names inode {inode}, which the volume does not have"),
            )
        } else {
            (
                Mark::Damaged,
                format!("it names inode {inode}, which is not in use"),
            )
        }
    }

    /// An inode in use that no folder leads to.
    fn nameless(&mut self, row: &Row) {
        // It may have been reached since through another one.
        let now = self
            .store
            .find(row.inode)
            .and_then(|place| self.store.rows.get(place));
        if now.is_none_or(|row| row.is(Row::LISTED)) {
            return;
        }
        let number = u64::from(row.inode);
        self.findings
            .note("nameless", Weight::OpenPoint, Some(number), || {
                format!("inode {number} is in use, and no folder leads to it")
            });
        let name = Name::Bytes(format!("#{number}").into_bytes());
        let mut found = Found::new(number, LOST_PARENT, name, row.kind());
        let notes = self.store.notes_of(row);
        self.fill(&mut found, row, &notes);
        found.marks.set(Mark::Orphan);
        let folder = row.kind() == Kind::Folder;
        self.flag(
            row.inode,
            Row::LISTED | if folder { Row::ENTERED } else { 0 },
        );
        self.items += 1;
        self.findings.note_item(&found);
        (self.see)(found);
        if folder {
            self.below(Waiting {
                inode: row.inode,
                depth: 1,
            });
        }
    }

    /// Counts the inodes.
    fn settle(&mut self) {
        let (mut listed, mut orphans, mut free, mut ghosts, mut unread) =
            (0u64, 0u64, 0u64, 0u64, 0u64);
        let mut held = 0u64;
        for row in &self.store.rows {
            // A damaged folder may have held more names.
            if row.kind() == Kind::Folder && row.is(Row::DAMAGED | Row::PARTLY) && row.names > 0 {
                self.whole = false;
            }
            if row.is(Row::FREE) {
                if row.is(Row::LISTED) {
                    free += 1;
                } else if !row.is(Row::OWN) {
                    ghosts += 1;
                }
                continue;
            }
            if row.is(Row::LISTED | Row::OWN | Row::ORPHAN) {
                listed += 1;
            } else if row.is(Row::UNREAD) {
                unread += 1;
            }
            if row.is(Row::ORPHAN) && !row.is(Row::LISTED) {
                let bytes = self.store.notes_of(row).bytes;
                orphans += u64::from(bytes > 0);
                held = held.saturating_add(bytes);
            }
        }
        self.accounts.records_listed = listed;
        let findings = &mut self.findings;
        findings.note_many(
            "unlinked-while-open",
            Weight::Sentence,
            None,
            orphans,
            || {
                format!(
                    "{orphans} files that were deleted, but still open when the system stopped, are not listed ({}): the system itself would have removed them at its next start",
                    bytes_in_words(held)
                )
            },
        );
        findings.note_many(
            "inodes-listed-but-free",
            Weight::OpenPoint,
            None,
            free,
            || "items whose inodes are free in the volume's own bitmap".to_owned(),
        );
        findings.note_many("inodes-alive-but-free", Weight::OpenPoint, None, ghosts, || {
            "inodes that look alive, but are free in the volume's own bitmap and have no name: they are not listed".to_owned()
        });
        findings.note_many("inodes-unread", Weight::OpenPoint, None, unread, || {
            "inodes in use that could not be read and that no folder names: items may be missing".to_owned()
        });
    }
}

/// A name as it is listed: an encrypted one that is no text is shown in hex.
fn shown(name: &[u8], hidden: bool) -> Vec<u8> {
    let is_text = std::str::from_utf8(name)
        .is_ok_and(|text| !text.contains(|c: char| c.is_control() || c == '/'));
    if !hidden || is_text {
        return name.to_vec();
    }
    name.iter()
        .flat_map(|byte| format!("{byte:02x}").into_bytes())
        .collect()
}
