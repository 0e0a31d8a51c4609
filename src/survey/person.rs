//! People: whose folders there are, and what of it their owner would recognise.
//!
//! Invariants: one pass, in any order, memory bounded by the number of people shown; every file is counted for exactly one
//! of them; pictures and documents are counted where people put them themselves, not in caches or systems.

use super::class::FolderState;
use super::item::{Kind, Mark, Marks};
use super::sort::{Sort, sort_of};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Most people listed one by one; further folders are counted together under [`FURTHER`].
pub const MOST_PEOPLE: usize = 4096;
/// Name under which people beyond [`MOST_PEOPLE`] are counted.
pub const FURTHER: &str = "(further folders)";
/// Name of what lies in nobody's folder; also of the root when it is itself a person's folder.
pub const ROOT: &str = ".";
/// Most moved folders kept for one person.
const MOST_REDIRECTED: usize = 64;
/// Dates later than this beyond "now" are a wrong clock, not news (engineering judgement: one day covers any time zone).
const LEEWAY_NS: i64 = 86_400_000_000_000;

/// Items and bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tally {
    /// Number of files.
    pub items: u64,
    /// Their bytes (logical).
    pub bytes: u64,
}

impl Tally {
    fn add(&mut self, bytes: u64) {
        self.items = self.items.saturating_add(1);
        self.bytes = self.bytes.saturating_add(bytes);
    }
}

/// One person's folder, as its owner would recognise it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Person {
    /// The folder, as path from the root of the volume or folder; see [`ROOT`], [`FURTHER`].
    pub profile: String,
    /// Whether it is a person's folder at all (`false`: what lies in nobody's).
    pub is_profile: bool,
    /// All files in it.
    pub all: Tally,
    /// Pictures and films.
    pub photos: Tally,
    /// Texts, tables, slides, plans.
    pub documents: Tally,
    /// Messages and mail stores, wherever they lie.
    pub mail: Tally,
    /// Newest change of a file that the person put there, nanoseconds since 1970; `None` = no plausible date.
    pub newest: Option<i64>,
    /// Files without content on this drive.
    pub placeholders: u64,
    /// Files that only the person's keys open.
    pub efs: u64,
    /// Folders that were moved elsewhere: "Documents" or "Documents -> D:/Papers".
    pub redirected: Vec<String>,
    /// Newest change of the person's registry, else of any file, nanoseconds since 1970.
    pub last_used: Option<i64>,
    registry: Option<i64>,
}

/// One item, as far as people are concerned.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    /// Its name.
    pub name: &'a str,
    /// What it is.
    pub kind: Kind,
    /// Whether it is a named stream of the file `name`: its bytes count, it is no picture of its own.
    pub stream: bool,
    /// Logical bytes.
    pub bytes: u64,
    /// Last written, nanoseconds since 1970; `None` = not kept.
    pub modified: Option<i64>,
    /// How it is stored.
    pub marks: Marks,
}

/// Counts people while a tree is walked.
#[derive(Debug, Clone, Default)]
pub struct People {
    latest: Option<i64>,
    people: Vec<Person>,
    by_profile: BTreeMap<Arc<str>, usize>,
    /// Whom the last item belonged to: the next one mostly belongs to them, too.
    last: Option<(Option<Arc<str>>, usize)>,
}

impl People {
    /// `now` (nanoseconds since 1970) bounds what counts as a date; `None` = any date does.
    pub fn new(now: Option<i64>) -> Self {
        Self {
            latest: now.map(|now| now.saturating_add(LEEWAY_NS)),
            ..Self::default()
        }
    }

    /// Counts one item of the folder `at`.
    pub fn see(&mut self, at: &FolderState, item: &Seen<'_>) {
        // A person with an empty folder is a person all the same.
        let latest = self.latest;
        let own = at.is_own();
        let in_profile = at.is_profile();
        let person = self.entry(at.person());
        if item.kind == Kind::Link {
            if in_profile && is_known_folder(item.name) {
                note(&mut person.redirected, item.name.to_owned());
            }
            return;
        }
        if item.kind != Kind::File {
            return;
        }
        let modified = item
            .modified
            .filter(|at| latest.is_none_or(|latest| *at <= latest));
        person.all.bytes = person.all.bytes.saturating_add(item.bytes);
        if item.stream {
            return;
        }
        person.all.items = person.all.items.saturating_add(1);
        if item.marks.has(Mark::Placeholder) {
            person.placeholders = person.placeholders.saturating_add(1);
        }
        if item.marks.has(Mark::Efs) {
            person.efs = person.efs.saturating_add(1);
        }
        match sort_of(item.name) {
            Sort::Mail => person.mail.add(item.bytes),
            Sort::Picture | Sort::Film if own => person.photos.add(item.bytes),
            Sort::Document if own => person.documents.add(item.bytes),
            _ => {}
        }
        if is_registry(item.name) {
            person.registry = person.registry.max(modified);
        } else if own {
            person.newest = person.newest.max(modified);
        }
        person.last_used = person.last_used.max(modified);
    }

    /// Makes sure that the person whose folder `at` is (or lies in) is listed, even if nothing is in it.
    pub fn meet(&mut self, at: &FolderState) {
        if at.person().is_some() {
            self.entry(at.person());
        }
    }

    /// The people, in the order of their folders' names. What lies in nobody's folder is listed only if there is something.
    pub fn list(&self) -> Vec<Person> {
        self.by_profile
            .values()
            .filter_map(|at| self.people.get(*at))
            .filter(|person| person.is_profile || person.all.items > 0)
            .map(|person| Person {
                last_used: person.registry.or(person.last_used),
                ..person.clone()
            })
            .collect()
    }

    fn entry(&mut self, profile: Option<&Arc<str>>) -> &mut Person {
        let at = match &self.last {
            Some((last, at)) if same(last.as_ref(), profile) => *at,
            _ => self.found(profile),
        };
        // `found` has put a person there.
        &mut self.people[at]
    }

    fn found(&mut self, profile: Option<&Arc<str>>) -> usize {
        let key: Arc<str> = match profile {
            Some(key) if self.by_profile.contains_key(key) => key.clone(),
            Some(_) if self.by_profile.len() >= MOST_PEOPLE => Arc::from(FURTHER),
            Some(key) => key.clone(),
            None => Arc::from(ROOT),
        };
        let people = &mut self.people;
        let at = *self.by_profile.entry(key).or_insert_with_key(|key| {
            people.push(Person {
                profile: key.to_string(),
                is_profile: profile.is_some(),
                ..Person::default()
            });
            people.len() - 1
        });
        self.last = Some((profile.cloned(), at));
        at
    }
}

fn same(a: Option<&Arc<str>>, b: Option<&Arc<str>>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => Arc::ptr_eq(a, b),
        (None, None) => true,
        _ => false,
    }
}

fn note(list: &mut Vec<String>, text: String) {
    if list.len() < MOST_REDIRECTED && !list.contains(&text) {
        list.push(text);
    }
}

/// Whether a file is a part of a person's registry.
pub fn is_registry(name: &str) -> bool {
    let starts = |head: &str| {
        name.get(..head.len())
            .is_some_and(|part| part.eq_ignore_ascii_case(head))
    };
    starts("ntuser.dat") || starts("ntuser.man") || starts("usrclass.dat")
}

/// Folders that the system lets a person move (Microsoft, KNOWNFOLDERID).
fn is_known_folder(name: &str) -> bool {
    [
        "desktop",
        "documents",
        "downloads",
        "pictures",
        "videos",
        "music",
        "favorites",
        "contacts",
        "saved games",
        "movies",
    ]
    .iter()
    .any(|folder| folder.eq_ignore_ascii_case(name))
}

#[cfg(test)]
mod tests {
    use super::super::class::Classer;
    use super::super::root::{Root, RootKind};
    use super::*;
    use crate::policy::Policy;

    const DAY: i64 = 86_400_000_000_000;

    struct Walk {
        classer: Classer,
        root: Root,
        people: People,
    }

    impl Walk {
        fn new(kind: RootKind) -> Self {
            Self {
                classer: Classer::new(&Policy::builtin("home").unwrap()),
                root: Root {
                    kind,
                    profiles: Vec::new(),
                },
                people: People::new(Some(100 * DAY)),
            }
        }

        fn see(&mut self, path: &str, kind: Kind, bytes: u64, day: i64, marks: &[Mark]) {
            let (folders, name) = path.rsplit_once('/').unwrap_or(("", path));
            let start = self.classer.root_of(&self.root);
            let at = folders
                .split('/')
                .filter(|part| !part.is_empty())
                .fold(start, |state, part| self.classer.enter(&state, part));
            let mut set = Marks::default();
            marks.iter().for_each(|mark| set.set(*mark));
            let seen = Seen {
                name,
                kind,
                stream: false,
                bytes,
                modified: Some(day * DAY),
                marks: set,
            };
            self.people.see(&at, &seen);
        }

        fn file(&mut self, path: &str, bytes: u64, day: i64) {
            self.see(path, Kind::File, bytes, day, &[]);
        }
    }

    #[test]
    fn each_person_is_shown_what_is_theirs() {
        let mut walk = Walk::new(RootKind::Windows);
        walk.file("Users/Anna/Pictures/a.jpg", 10, 5);
        walk.file("Users/Anna/AppData/Local/X/icon.png", 1, 99);
        walk.file("Users/Anna/Documents/b.docx", 20, 7);
        walk.file("Users/Anna/AppData/Local/Microsoft/Outlook/a.ost", 40, 8);
        walk.file("Users/Anna/NTUSER.DAT", 3, 50);
        walk.file("Users/Anna/clock.txt", 1, 5000);
        walk.see(
            "Users/Anna/OneDrive/c.jpg",
            Kind::File,
            9,
            6,
            &[Mark::Placeholder],
        );
        walk.see("Users/Anna/d.xyz", Kind::File, 0, 1, &[Mark::Efs]);
        walk.see("Users/Anna/Music", Kind::Link, 0, 1, &[Mark::Junction]);
        walk.file("Users/Ben/x.pdf", 1, 2);
        walk.file("Windows/Web/img0.jpg", 1, 2);
        walk.file("Data/e.jpg", 1, 3);
        walk.file("Windows.old/Users/Cleo/f.jpg", 1, 3);
        let list = walk.people.list();
        let names: Vec<_> = list
            .iter()
            .map(|p| (p.profile.as_str(), p.is_profile))
            .collect();
        assert_eq!(
            names,
            [
                (".", false),
                ("Users/Anna", true),
                ("Users/Ben", true),
                ("Windows.old/Users/Cleo", true)
            ]
        );
        let anna = &list[1];
        assert_eq!((anna.all.items, anna.all.bytes), (8, 84));
        assert_eq!(
            anna.photos,
            Tally {
                items: 2,
                bytes: 19
            }
        );
        assert_eq!(
            anna.documents,
            Tally {
                items: 2,
                bytes: 21
            }
        );
        assert_eq!(
            anna.mail,
            Tally {
                items: 1,
                bytes: 40
            }
        );
        assert_eq!((anna.placeholders, anna.efs), (1, 1));
        assert_eq!(anna.newest, Some(7 * DAY));
        assert_eq!(anna.last_used, Some(50 * DAY));
        assert_eq!(anna.redirected, ["Music"]);
        assert_eq!(list[2].last_used, Some(2 * DAY));
        assert_eq!((list[0].all.items, list[0].photos.items), (2, 1));
        assert_eq!(list[3].photos.items, 1);
    }

    #[test]
    fn the_root_may_be_the_person() {
        let mut walk = Walk::new(RootKind::Profile);
        walk.file("Documents/a.pdf", 5, 1);
        walk.file("AppData/Local/x.pdf", 5, 1);
        let list = walk.people.list();
        assert_eq!((list[0].profile.as_str(), list[0].is_profile), (".", true));
        assert_eq!((list[0].all.items, list[0].documents.items), (2, 1));
    }

    #[test]
    fn a_million_people_take_no_more_memory_than_some_thousands() {
        let mut walk = Walk::new(RootKind::Holder);
        let root = walk.classer.root_of(&walk.root);
        for number in 0..10_000 {
            let at = walk.classer.enter(&root, &format!("p{number}"));
            walk.people.meet(&at);
        }
        let list = walk.people.list();
        assert_eq!(list.len(), MOST_PEOPLE + 1);
        assert!(
            list.iter()
                .any(|person| person.profile == FURTHER && person.is_profile)
        );
    }

    #[test]
    fn a_stream_adds_bytes_and_no_picture() {
        let mut walk = Walk::new(RootKind::Profile);
        let at = walk.classer.root_of(&walk.root);
        let seen = Seen {
            name: "a.jpg",
            kind: Kind::File,
            stream: true,
            bytes: 7,
            modified: None,
            marks: Marks::default(),
        };
        walk.people.see(&at, &seen);
        let list = walk.people.list();
        assert_eq!(
            (list[0].all.items, list[0].all.bytes, list[0].photos.items),
            (0, 7, 0)
        );
    }
}
