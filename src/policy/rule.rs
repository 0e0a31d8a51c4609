//! A class rule: a name, a class, a reason, and the paths or stream names that it is about.
//!
//! Invariant: a rule that leaves something out is tied to a place (never `anywhere`), so that a folder which merely
//! has the right name is never left out.

use crate::survey::item::{Class, Kind};
use serde::Deserialize;

/// Where a rule's patterns begin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum At {
    /// At any depth.
    Anywhere,
    /// The root of a volume.
    Volume,
    /// The root of a Windows volume, or of an earlier installation on it.
    Windows,
    /// The root of a macOS volume.
    Mac,
    /// The root of a Linux volume.
    Linux,
    /// The root of a volume without a system that Windows starts its recovery system from.
    Recovery,
    /// A person's folder.
    Profile,
}

impl At {
    /// The word in a policy.
    pub fn word(self) -> &'static str {
        match self {
            At::Anywhere => "anywhere",
            At::Volume => "volume",
            At::Windows => "windows",
            At::Mac => "mac",
            At::Linux => "linux",
            At::Recovery => "recovery",
            At::Profile => "profile",
        }
    }
}

/// One class rule, checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rule {
    /// Its name: lower-case words with hyphens.
    pub id: String,
    /// The class of what it matches.
    pub class: Class,
    /// Why, for people.
    pub why: String,
    /// Where the patterns begin.
    pub at: At,
    /// The patterns, each as its parts in lower case.
    pub patterns: Vec<Vec<String>>,
    /// Names of streams, in lower case; such a rule has no patterns.
    pub streams: Vec<String>,
    /// Only items of these kinds; empty = any.
    pub kinds: Vec<Kind>,
    /// Not copied, on the record.
    pub leave_out: bool,
    /// Also files whose type would otherwise save them: the rule names the very files.
    pub any_type: bool,
    /// The class of files that their type saves from being left out.
    pub kept_as: Class,
    /// What it matches opens with keys of the person and the installation only: saved is not yet proved usable.
    pub key_bound: bool,
    /// Only files of these types (lower case, sorted) are left out; empty = all but those that their type saves.
    pub only_types: Vec<String>,
}

impl Rule {
    /// Whether a file of this name is of a type that the rule leaves out.
    pub fn leaves_out_type(&self, name: &str) -> bool {
        self.only_types.is_empty()
            || name.rsplit_once('.').is_some_and(|(_, extension)| {
                let lower = extension.to_ascii_lowercase();
                self.only_types.binary_search(&lower).is_ok()
            })
    }

    /// Whether the rule is about items of this kind.
    pub fn takes(&self, kind: Kind) -> bool {
        self.kinds.is_empty() || self.kinds.contains(&kind)
    }

    /// One line that holds everything.
    pub(super) fn canonical(&self) -> String {
        let bound = if self.key_bound { " key-bound" } else { "" };
        let types = match self.only_types.as_slice() {
            [] => String::new(),
            types => format!(" only-types {types:?}"),
        };
        format!(
            "rule {} = {} at {} leave-out {} any-type {} kept-as {} kinds {:?} streams {:?} match {:?} why {:?}{types}{bound}",
            self.id,
            self.class.word(),
            self.at.word(),
            self.leave_out,
            self.any_type,
            self.kept_as.word(),
            self.kinds,
            self.streams,
            self.patterns
                .iter()
                .map(|parts| parts.join("/"))
                .collect::<Vec<_>>(),
            self.why
        )
    }

    /// One line for people.
    pub fn explain(&self) -> String {
        let what = if self.leave_out {
            "left out"
        } else {
            self.class.word()
        };
        let paths: Vec<String> = self.patterns.iter().map(|parts| parts.join("/")).collect();
        let where_ = if self.streams.is_empty() {
            format!("{}: {}", self.at.word(), paths.join(", "))
        } else {
            format!("streams {}", self.streams.join(", "))
        };
        let mut types = match self.only_types.as_slice() {
            [] => String::new(),
            types => format!("; only files of the types {}", types.join(" ")),
        };
        if self.key_bound {
            types.push_str("; key-bound");
        }
        format!("{} ({what}): {} [{where_}{types}]", self.id, self.why)
    }
}

/// A rule as it stands in a file.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct RuleDraft {
    id: String,
    class: Class,
    why: String,
    at: Option<At>,
    #[serde(rename = "match", default)]
    patterns: Vec<String>,
    #[serde(default)]
    streams: Vec<String>,
    #[serde(default)]
    kinds: Vec<Kind>,
    #[serde(default)]
    leave_out: bool,
    #[serde(default)]
    any_type: bool,
    kept_as: Option<Class>,
    #[serde(default)]
    only_types: Vec<String>,
    #[serde(default)]
    key_bound: bool,
}

impl RuleDraft {
    /// The rule, or what is wrong with it.
    pub(super) fn resolved(self) -> Result<Rule, String> {
        let id = self.id;
        if !is_kebab(&id) {
            return Err(format!(
                "rule id {id:?}: expected lower-case letters, digits and hyphens"
            ));
        }
        if RESERVED.contains(&id.as_str()) {
            return Err(format!(
                "rule id '{id}' is the program's own; choose another"
            ));
        }
        if self.patterns.is_empty() == self.streams.is_empty() {
            return Err(format!(
                "rule '{id}' needs either match = [\"…\"] or streams = [\"…\"]"
            ));
        }
        let at = match (self.at, self.streams.is_empty()) {
            (Some(at), true) => at,
            (None, true) => {
                return Err(format!(
                    "rule '{id}' needs at = \"volume\", \"windows\", \"mac\", \"linux\", \"recovery\", \"profile\" or \"anywhere\""
                ));
            }
            (_, false) => At::Anywhere,
        };
        if self.leave_out && self.class != Class::Rebuildable {
            return Err(format!(
                "rule '{id}' leaves out what is {}; only rebuildable items can be left out",
                self.class.word()
            ));
        }
        if self.leave_out && at == At::Anywhere && self.streams.is_empty() {
            return Err(format!(
                "rule '{id}' leaves out anywhere; a name alone proves nothing, so give it a place"
            ));
        }
        let typed = !self.only_types.is_empty();
        if !self.leave_out && (self.any_type || self.kept_as.is_some() || typed) {
            return Err(format!(
                "rule '{id}': any-type, kept-as and only-types belong to rules with leave-out = true"
            ));
        }
        if self.leave_out && self.key_bound {
            return Err(format!(
                "rule '{id}': what is left out needs no key; key-bound belongs to rules that keep"
            ));
        }
        if self.any_type && typed {
            return Err(format!(
                "rule '{id}': any-type and only-types exclude each other"
            ));
        }
        let odd = |c: char| !c.is_ascii_lowercase() && !c.is_ascii_digit() && c != '_';
        if let Some(wrong) =
            (self.only_types.iter()).find(|text| text.is_empty() || text.contains(odd))
        {
            return Err(format!(
                "rule '{id}': only-types {wrong:?}: expected an extension in lower case without its dot"
            ));
        }
        let mut only_types = self.only_types;
        only_types.sort_unstable();
        let mut patterns = Vec::with_capacity(self.patterns.len());
        for pattern in &self.patterns {
            let parts =
                parts(pattern).map_err(|why| format!("rule '{id}', pattern {pattern:?}: {why}"))?;
            let open = parts.first().is_some_and(|part| part == "**");
            if self.leave_out && open {
                return Err(format!(
                    "rule '{id}', pattern {pattern:?}: what is left out must begin with a name"
                ));
            }
            patterns.push(parts);
        }
        Ok(Rule {
            id,
            class: self.class,
            why: self.why,
            at,
            patterns,
            streams: self.streams.iter().map(|s| s.to_lowercase()).collect(),
            kinds: self.kinds,
            leave_out: self.leave_out,
            any_type: self.any_type,
            kept_as: self.kept_as.unwrap_or(Class::Irreplaceable),
            key_bound: self.key_bound,
            only_types,
        })
    }
}

/// Rule names that the program gives itself: see `survey::class`.
pub(crate) const RESERVED: [&str; 3] = ["unknown", "kept-by-type", "large-stream"];

/// Lower-case letters, digits and single hyphens, beginning with a letter.
pub(super) fn is_kebab(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_lowercase())
        && text.split('-').all(|word| {
            !word.is_empty()
                && word
                    .bytes()
                    .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit())
        })
}

fn parts(pattern: &str) -> Result<Vec<String>, &'static str> {
    let parts: Vec<String> = pattern
        .split('/')
        .map(|part| match part {
            "{U}" => "*".to_owned(),
            "{SID}" => "s-*".to_owned(),
            part => part.to_lowercase(),
        })
        .collect();
    if parts.len() > 16 {
        return Err("more than 16 parts");
    }
    for part in &parts {
        if matches!(part.as_str(), "" | "." | "..") {
            return Err("empty parts, '.' and '..' match nothing");
        }
        if part.contains("**") && part != "**" {
            return Err("'**' stands alone between two '/'");
        }
        if part.contains(['\\', '{', '}']) {
            return Err("parts are joined by '/'; only {U} and {SID} have braces");
        }
    }
    if parts
        .windows(2)
        .any(|pair| pair.iter().all(|part| part == "**"))
    {
        return Err("'**/**' is the same as '**'");
    }
    Ok(parts)
}
