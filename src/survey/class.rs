//! Classes: which rule an item falls under, decided while a tree is walked from its root down.
//!
//! Invariants: what no rule matches is irreplaceable; nothing is left out except by a named rule that begins at a place
//! for which there is evidence, and never a file that is by its name a document, picture, film, mail store, database,
//! archive or key, nor beside a program one of a type that programs are not made of; a folder's state has a bounded size whatever its depth.

use super::item::{Class, Kind};
use super::pattern::{Part, Pattern, ends};
use super::root::{Root, RootKind, is_holder};
use super::sort::sort_of;
use crate::policy::rule::RESERVED;
use crate::policy::{At, Policy, Rule};
use std::collections::HashMap;
use std::sync::Arc;

/// A rule by number: its place in the policy, then the program's own. The same policy gives the same numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct RuleId(pub u16);

/// What a rule says of an item.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Verdict {
    /// How precious.
    pub class: Class,
    /// By which rule.
    pub rule: RuleId,
    /// Not copied, on the record.
    pub leave_out: bool,
}

/// Streams longer than this are kept even when their file is left out (engineering judgement: programs hide data there).
pub const LARGE_STREAM_BYTES: u64 = 4096;
const NONE: u16 = u16::MAX;

/// Classes items by the rules of one policy.
#[derive(Debug)]
pub struct Classer {
    rules: Vec<Rule>,
    patterns: Vec<Pattern>,
    /// First positions of the patterns of each place.
    seeds: HashMap<At, Vec<Position>>,
    /// Patterns `*.extension` that apply anywhere.
    extensions: HashMap<Box<[u8]>, u16>,
    streams: HashMap<Box<str>, u16>,
}

/// Pattern number and the part of it that the next name must match.
type Position = (u16, u8);

/// Where a walk stands: small, cheap to clone, independent of the siblings.
#[derive(Debug, Clone)]
pub struct FolderState {
    /// What may still match; first those that a file here could end.
    live: Arc<[Position]>,
    /// How many of `live` a file here could end.
    ending: u16,
    /// The rule that already covers everything below, for each kind.
    covered: [u16; 4],
    place: Place,
    /// Rules for streams may leave out here.
    excluding: bool,
    /// See [`FolderState::is_own`].
    own: bool,
    /// The person's folder that this lies in; `None` = in nobody's.
    person: Option<Arc<str>>,
    /// At the root: the folders directly in it that look like a person's.
    profiles: Arc<[String]>,
    /// Path from the root, kept only as long as a person's folder may follow.
    path: Arc<str>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place {
    Root(RootKind),
    Holder { old: bool },
    Profile,
    OldSystem { strict: bool },
    Inside,
}

impl FolderState {
    /// The person's folder that this folder is or lies in, as path from the root (`.` = the root itself); `None` = nobody's.
    pub fn person(&self) -> Option<&Arc<str>> {
        self.person.as_ref()
    }

    /// Whether this is a person's folder itself.
    pub fn is_profile(&self) -> bool {
        self.place == Place::Profile
    }

    /// Whether people put files here themselves: not the system's, programs' or their data folders.
    pub fn is_own(&self) -> bool {
        self.own
    }
}

impl Classer {
    /// For the rules of `policy`.
    pub fn new(policy: &Policy) -> Self {
        let mut classer = Self {
            rules: policy.rules.clone(),
            patterns: Vec::new(),
            seeds: HashMap::new(),
            extensions: HashMap::new(),
            streams: HashMap::new(),
        };
        for (number, rule) in (0u16..).zip(&policy.rules) {
            for stream in &rule.streams {
                classer
                    .streams
                    .entry(stream.as_str().into())
                    .or_insert(number);
            }
            for parts in &rule.patterns {
                classer.add(number, rule.at, &rule.kinds, parts);
            }
        }
        classer
    }

    fn add(&mut self, rule: u16, at: At, kinds: &[Kind], parts: &[String]) {
        if let ([only], At::Anywhere, true) = (parts, at, kinds.is_empty())
            && let Some(extension) = only.strip_prefix("*.")
            && !extension.contains(['.', '*', '?'])
        {
            self.extensions
                .entry(extension.as_bytes().into())
                .or_insert(rule);
            return;
        }
        let Ok(number) = u16::try_from(self.patterns.len()) else {
            return; // more than 65,535 patterns: what they would match stays irreplaceable
        };
        self.patterns
            .push(Pattern::new(rule, at == At::Anywhere, parts));
        self.seeds.entry(at).or_default().push((number, 0));
    }

    /// A rule's name.
    pub fn rule_name(&self, id: RuleId) -> &str {
        match self.rules.get(usize::from(id.0)) {
            Some(rule) => &rule.id,
            None => usize::from(id.0)
                .checked_sub(self.rules.len())
                .and_then(|own| RESERVED.get(own))
                .unwrap_or(&RESERVED[0]),
        }
    }

    /// Whether what the rule matches opens with keys of the person and the installation only.
    pub fn is_key_bound(&self, id: RuleId) -> bool {
        let rule = self.rules.get(usize::from(id.0));
        rule.is_some_and(|rule| rule.key_bound)
    }

    /// Whether something below `at`, in a person's folder, may be what such a rule of those folders matches.
    pub fn may_be_key_bound(&self, at: &FolderState) -> bool {
        let is = |rule: u16| {
            let rule = self.rules.get(usize::from(rule));
            rule.is_some_and(|rule| rule.key_bound && rule.at == At::Profile)
        };
        let mut live = at.live.iter();
        at.covered.iter().any(|rule| is(*rule))
            || live.any(|(number, _)| {
                let pattern = self.patterns.get(usize::from(*number));
                pattern.is_some_and(|pattern| is(pattern.rule))
            })
    }

    /// A rule's reason, for people.
    pub fn rule_why(&self, id: RuleId) -> &str {
        match self.rules.get(usize::from(id.0)) {
            Some(rule) => &rule.why,
            None if id == self.own(1) => {
                "Lies where things are left out, but is by its name a document, picture, film, mail store, database, archive or key, or of no type that programs are made of."
            }
            None if id == self.own(2) => {
                "A named stream of a file that is left out, too long to be a mere note."
            }
            None => "No rule knows it, so it counts as made by a person.",
        }
    }

    fn own(&self, index: u16) -> RuleId {
        RuleId(
            u16::try_from(self.rules.len())
                .unwrap_or(NONE - 4)
                .saturating_add(index),
        )
    }

    /// The state at a root that nothing is known of. Few things are left out below it; see [`Classer::root_of`].
    pub fn root(&self) -> FolderState {
        self.root_of(&Root::folder())
    }

    /// The state at a root.
    pub fn root_of(&self, root: &Root) -> FolderState {
        let mut seeds = vec![At::Anywhere];
        match root.kind {
            RootKind::Windows => seeds.extend([At::Volume, At::Windows]),
            RootKind::Mac => seeds.extend([At::Volume, At::Mac]),
            RootKind::Linux => seeds.extend([At::Volume, At::Linux]),
            RootKind::Recovery => seeds.extend([At::Volume, At::Recovery]),
            RootKind::Data | RootKind::Folder => seeds.push(At::Volume),
            RootKind::Profile => seeds.push(At::Profile),
            RootKind::Holder => {}
        }
        let mut state = FolderState {
            live: Arc::from([]),
            ending: 0,
            covered: [NONE; 4],
            place: match root.kind {
                RootKind::Profile => Place::Profile,
                RootKind::Holder => Place::Holder { old: false },
                kind => Place::Root(kind),
            },
            excluding: root.kind == RootKind::Profile,
            own: true,
            person: (root.kind == RootKind::Profile).then(|| Arc::from(".")),
            profiles: root.profiles.as_slice().into(),
            path: Arc::from(""),
        };
        let mut live = Vec::new();
        for at in seeds {
            // Below a mere folder nothing is left out on the strength of a name at its root.
            let strict = at == At::Volume && root.kind == RootKind::Folder;
            self.seed(&mut live, &mut state.covered, at, strict);
        }
        state.ending = self.sorted(&mut live);
        state.live = live.into();
        state
    }

    /// Puts what a file could end first, and counts it: files are many, and most patterns end deeper.
    fn sorted(&self, live: &mut [Position]) -> u16 {
        let ends = |(number, part): &Position| {
            let rest = self
                .patterns
                .get(usize::from(*number))
                .and_then(|pattern| pattern.parts.get(usize::from(*part)..));
            matches!(rest, Some([_] | [Part::Deep, _]))
        };
        live.sort_unstable_by_key(|position| (!ends(position), *position));
        u16::try_from(live.iter().filter(|position| ends(position)).count()).unwrap_or(u16::MAX)
    }

    fn seed(&self, live: &mut Vec<Position>, covered: &mut [u16; 4], at: At, strict: bool) {
        for (number, part) in self.seeds.get(&at).into_iter().flatten() {
            let leaves_out = self
                .patterns
                .get(usize::from(*number))
                .and_then(|pattern| self.rules.get(usize::from(pattern.rule)))
                .is_some_and(|rule| rule.leave_out);
            if !(strict && leaves_out) {
                self.advance(live, covered, *number, *part);
            }
        }
    }

    /// Adds a position, or what it already covers.
    fn advance(&self, live: &mut Vec<Position>, covered: &mut [u16; 4], number: u16, part: u8) {
        let Some(pattern) = self.patterns.get(usize::from(number)) else {
            return;
        };
        match pattern.parts.get(usize::from(part)..) {
            Some([Part::Deep]) => {
                let rule = self.rules.get(usize::from(pattern.rule));
                for (kind, slot) in KINDS.into_iter().zip(covered) {
                    if rule.is_some_and(|rule| rule.takes(kind)) {
                        *slot = (*slot).min(pattern.rule);
                    }
                }
            }
            Some([_, ..]) if !live.contains(&(number, part)) => live.push((number, part)),
            _ => {}
        }
    }

    /// The state in the folder `name` of the folder `at`.
    pub fn enter(&self, at: &FolderState, name: &str) -> FolderState {
        let mut next = self.placed(at, name);
        let mut live = Vec::with_capacity(at.live.len());
        for (number, part) in at.live.iter().copied() {
            let Some(parts) = self
                .patterns
                .get(usize::from(number))
                .map(|pattern| &pattern.parts)
            else {
                continue;
            };
            match parts.get(usize::from(part)..) {
                Some([Part::Deep, after, ..]) => {
                    self.advance(&mut live, &mut next.covered, number, part);
                    if after.matches(name) {
                        self.advance(&mut live, &mut next.covered, number, part + 2);
                    }
                }
                Some([first, ..]) if first.matches(name) => {
                    self.advance(&mut live, &mut next.covered, number, part + 1);
                }
                _ => {}
            }
        }
        match next.place {
            Place::Profile if next.excluding => {
                self.seed(&mut live, &mut next.covered, At::Profile, false);
            }
            // An earlier installation comes back with the one that set it aside, and with no other.
            Place::OldSystem { strict } => {
                self.seed(&mut live, &mut next.covered, At::Windows, strict);
            }
            _ => {}
        }
        // Rules after the one that covers everything cannot win any more.
        let worst = next.covered.iter().copied().max().unwrap_or(NONE);
        live.retain(|(number, _)| {
            self.patterns
                .get(usize::from(*number))
                .is_some_and(|pattern| pattern.rule < worst)
        });
        next.ending = self.sorted(&mut live);
        next.live = if *live == *at.live {
            at.live.clone()
        } else {
            live.into()
        };
        next
    }

    /// Everything about the folder `name` but its patterns.
    fn placed(&self, at: &FolderState, name: &str) -> FolderState {
        let mut next = FolderState {
            place: Place::Inside,
            ..at.clone()
        };
        match at.place {
            Place::Root(kind) => {
                next.path = Arc::from(name);
                next.own = !is_system_folder(kind, name);
                let has_system =
                    !matches!(kind, RootKind::Data | RootKind::Recovery | RootKind::Folder);
                next.excluding = !next.own && has_system;
                next.profiles = Arc::from([]);
                if is_holder(name) {
                    next.place = Place::Holder { old: false };
                } else if at.profiles.iter().any(|profile| profile == name) {
                    // On a volume this is an unknown root folder: a person's things, but nothing is left out.
                    next = next.into_profile(kind != RootKind::Folder);
                } else if kind == RootKind::Linux && name == "root" {
                    next = next.into_profile(false);
                } else if kind != RootKind::Folder && is_old_system(name) {
                    next.place = Place::OldSystem {
                        strict: kind != RootKind::Windows,
                    };
                    next.own = true;
                    next.excluding = false;
                }
            }
            Place::OldSystem { .. } => {
                next.own = !is_system_folder(RootKind::Windows, name);
                if is_holder(name) {
                    next.place = Place::Holder { old: true };
                }
                next.path = Arc::from(format!("{}/{name}", at.path));
            }
            Place::Holder { old } => {
                next.path = if at.path.is_empty() {
                    Arc::from(name)
                } else {
                    Arc::from(format!("{}/{name}", at.path))
                };
                next = next.into_profile(old);
            }
            Place::Profile => {
                next.own = !is_program_folder(name);
                next.path = Arc::from("");
            }
            Place::Inside => {}
        }
        next
    }

    /// What the rules say of the item `name` in the folder `at`. `stream` is the name of a named stream of it;
    /// `bytes` the length of the file or stream.
    pub fn judge(
        &self,
        at: &FolderState,
        name: &str,
        kind: Kind,
        bytes: u64,
        stream: Option<&str>,
    ) -> Verdict {
        let file = self.judge_file(at, name, kind);
        let Some(stream) = stream else {
            return file;
        };
        if at.excluding
            && let Some(number) = self.streams.get(stream.to_lowercase().as_str())
            && let Some(rule) = self.rules.get(usize::from(*number))
        {
            return Verdict {
                class: rule.class,
                rule: RuleId(*number),
                leave_out: rule.leave_out,
            };
        }
        if file.leave_out && bytes > LARGE_STREAM_BYTES {
            return Verdict {
                class: Class::HardToReplace,
                rule: self.own(2),
                leave_out: false,
            };
        }
        file
    }

    fn judge_file(&self, at: &FolderState, name: &str, kind: Kind) -> Verdict {
        let mut best = at.covered.get(kind as usize).copied().unwrap_or(NONE);
        // A pattern that ends in `**` covers a folder, never a file; the others end with either.
        let looked_at = match kind {
            Kind::Folder => at.live.len(),
            _ => usize::from(at.ending),
        };
        for (number, part) in at.live.iter().copied().take(looked_at) {
            let Some(pattern) = self.patterns.get(usize::from(number)) else {
                continue;
            };
            if pattern.rule >= best {
                continue;
            }
            let rest = pattern.parts.get(usize::from(part)..).unwrap_or_default();
            if ends(rest, name, kind)
                && self
                    .rules
                    .get(usize::from(pattern.rule))
                    .is_some_and(|rule| rule.takes(kind))
            {
                best = pattern.rule;
            }
        }
        if kind == Kind::File
            && let Some(rule) = self.by_extension(name)
        {
            best = best.min(rule);
        }
        let Some(rule) = self.rules.get(usize::from(best)) else {
            return Verdict {
                class: Class::Irreplaceable,
                rule: self.own(0),
                leave_out: false,
            };
        };
        let kept = || !rule.leaves_out_type(name) || !rule.any_type && sort_of(name).is_kept();
        if rule.leave_out && kind == Kind::File && kept() {
            return Verdict {
                class: rule.kept_as,
                rule: self.own(1),
                leave_out: false,
            };
        }
        Verdict {
            class: rule.class,
            rule: RuleId(best),
            leave_out: rule.leave_out,
        }
    }

    fn by_extension(&self, name: &str) -> Option<u16> {
        let (_, extension) = name.rsplit_once('.')?;
        let mut lower = [0u8; 16];
        let lower = lower.get_mut(..extension.len())?;
        lower.copy_from_slice(extension.as_bytes());
        lower.make_ascii_lowercase();
        self.extensions.get(&*lower).copied()
    }
}

const KINDS: [Kind; 4] = [Kind::File, Kind::Folder, Kind::Link, Kind::Special];

impl FolderState {
    fn into_profile(mut self, old: bool) -> Self {
        self.place = Place::Profile;
        // People are shown in an earlier installation too, but nothing is left out there.
        self.excluding = !old;
        self.own = true;
        self.person = Some(self.path.clone());
        self
    }
}

fn is_old_system(name: &str) -> bool {
    let lower = name.to_ascii_lowercase();
    lower.starts_with("windows.old") || lower == "$windows.~bt" || lower == "$windows.~ws"
}

/// Folders in a profile in which programs keep their data.
pub fn is_program_folder(name: &str) -> bool {
    name.starts_with('.')
        || [
            "appdata",
            "library",
            "application data",
            "local settings",
            "snap",
        ]
        .iter()
        .any(|folder| folder.eq_ignore_ascii_case(name))
}

/// Folders at the root of a system volume in which people keep nothing of their own.
fn is_system_folder(kind: RootKind, name: &str) -> bool {
    let folders: &[&str] = match kind {
        RootKind::Windows => &[
            "windows",
            "program files",
            "program files (x86)",
            "program files (arm)",
            "programdata",
            "perflogs",
            "recovery",
            "boot",
            "efi",
            "system volume information",
            "$recycle.bin",
            "$extend",
        ],
        RootKind::Mac => &[
            "system",
            "library",
            "applications",
            "private",
            "usr",
            "bin",
            "sbin",
            "opt",
            "cores",
            "dev",
            "etc",
            "var",
            "tmp",
        ],
        RootKind::Linux => &[
            "bin", "boot", "dev", "etc", "lib", "lib32", "lib64", "opt", "proc", "run", "sbin",
            "sys", "tmp", "usr", "var",
        ],
        _ => &["system volume information", "$recycle.bin", "$extend"],
    };
    folders
        .iter()
        .any(|folder| folder.eq_ignore_ascii_case(name))
}

#[cfg(test)]
mod tables;
#[cfg(test)]
mod tests;
