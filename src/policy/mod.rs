//! Policies: TOML text in, rules out. What belongs to which class, what a release needs, who may give up what.
//!
//! Invariants: a policy is complete or refused, with file, line, column and the allowed keys; what it does not say
//! falls to the strict side (an open point that it does not name is waived by nobody, an item that no rule matches is
//! irreplaceable); its identity is the digest of everything in it after `extends` and `include` were followed.

mod draft;
pub mod fault;
pub mod rule;
pub mod table;
pub mod value;
pub mod waive;

pub use fault::PolicyFault;
pub use rule::{At, Rule};
pub use table::{
    Certificate, Copies, Health, Heat, Keeping, Routes, SecondLook, Survey, Value, Vanishing,
    Verification,
};
pub use value::Step;
pub use waive::Waive;

use crate::survey::item::Class;
use crate::value::Blake3;
use crate::value::words::Who;
use draft::Draft;
use std::fmt::Write;

/// The policies that come with the program: name, file name, text.
const BUILTIN: [(&str, &str, &str); 3] = [
    (
        "home",
        "policies/home.toml",
        include_str!("../../policies/home.toml"),
    ),
    (
        "business",
        "policies/business.toml",
        include_str!("../../policies/business.toml"),
    ),
    (
        "practice",
        "policies/practice.toml",
        include_str!("../../policies/practice.toml"),
    ),
];
/// Sets of class rules that a policy can `include`.
const INCLUDED: [(&str, &str, &str); 1] = [(
    "classes",
    "policies/classes.toml",
    include_str!("../../policies/classes.toml"),
)];
/// What everything issued under a practice policy has to say.
pub const PRACTICE_SAYS: &str = "practice: releases nothing";

/// Keys and values of a table, as text.
pub type Shown = Vec<(String, String)>;

/// A policy, complete and checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Policy {
    /// Its own name.
    pub name: String,
    /// What it is for, one sentence.
    pub says: String,
    /// The file it was read from, for people.
    pub file: String,
    /// Names of the policies that it started from, nearest first.
    pub extends: Vec<String>,
    /// Practice: counts copies on the drive on hold, on loop devices and in memory; see [`PRACTICE_SAYS`].
    pub practice: bool,
    /// How old a health reading may be.
    pub health: Health,
    /// How old a verification may be.
    pub verification: Verification,
    /// How long a certificate is valid.
    pub certificate: Certificate,
    /// How many verified copies each class needs.
    pub copies: Copies,
    /// What each class is worth when the copy is ordered.
    pub value: Value,
    /// Who may waive which open point.
    pub waive: Waive,
    /// What needs a second look.
    pub second_look: SecondLook,
    /// When copying pauses for heat.
    pub heat: Heat,
    /// What a vanishing drive means.
    pub vanishing: Vanishing,
    /// How long the shop keeps its copy.
    pub keeping: Keeping,
    /// Borders between the routes.
    pub routes: Routes,
    /// From which size on unexamined space is an open point.
    pub survey: Survey,
    /// The class rules; the first that matches decides.
    pub rules: Vec<Rule>,
    hash: Blake3,
}

impl Policy {
    /// Names of the policies that come with the program; the first is the default.
    pub fn names() -> impl Iterator<Item = &'static str> {
        BUILTIN.iter().map(|(name, _, _)| *name)
    }

    /// A policy that comes with the program, and its text.
    pub fn builtin_text(name: &str) -> Option<&'static str> {
        BUILTIN
            .iter()
            .find(|(have, _, _)| *have == name)
            .map(|(_, _, text)| *text)
    }

    /// A policy that comes with the program.
    ///
    /// # Errors
    /// There is none of that name.
    pub fn builtin(name: &str) -> Result<Self, PolicyFault> {
        let Some((_, file, text)) = BUILTIN.iter().find(|(have, _, _)| *have == name) else {
            return Err(PolicyFault::unknown_name(name, Self::names()));
        };
        Self::parse(file, text)
    }

    /// A policy from the text of a file; `file_name` is for messages.
    ///
    /// # Errors
    /// Anything unknown, missing, out of range or contradictory, with its place.
    pub fn parse(file_name: &str, text: &str) -> Result<Self, PolicyFault> {
        let mut draft = Draft::parse(file_name, text)?;
        let name = draft.name.take().ok_or_else(|| {
            PolicyFault::missing(file_name, "name", "write name = \"…\" as its first line")
        })?;
        let says = draft.says.take().unwrap_or_default();
        let mut extends: Vec<String> = Vec::new();
        let mut next = draft.extends.take();
        while let Some(base) = next {
            let place = PolicyFault::at(file_name, text, base.span().start);
            let base = base.into_inner();
            let known = BUILTIN.iter().find(|(have, _, _)| *have == base);
            let Some((_, base_file, base_text)) = known else {
                let names: Vec<_> = Self::names().collect();
                return Err(place.says(format!(
                    "there is no policy '{base}' to start from; there are {}",
                    names.join(", ")
                )));
            };
            if extends.contains(&base) {
                return Err(place.says(format!("'{base}' starts from itself")));
            }
            extends.push(base);
            let mut under = Draft::parse(base_file, base_text)?;
            next = under.extends.take();
            draft.over(under);
        }
        let includes = std::mem::take(&mut draft.include);
        for set in includes.unwrap_or_default() {
            let Some((_, set_file, set_text)) = INCLUDED.iter().find(|(have, _, _)| *have == set)
            else {
                return Err(PolicyFault::bare(
                    file_name,
                    format!(
                        "there is no set of class rules '{set}' to include; there is 'classes'"
                    ),
                ));
            };
            let under = Draft::parse(set_file, set_text)?;
            draft.over(under);
        }
        let mut policy = draft.resolved(file_name, name, says, extends)?;
        policy.hash = Blake3(*blake3::hash(policy.canonical().as_bytes()).as_bytes());
        Ok(policy)
    }

    /// A policy that a job may be opened with from now on: besides what [`Policy::parse`] asks, it has a name of its own,
    /// gives the reason for each table that it changes, and under `[waive]` names only `points`, the open points that there
    /// are. (A job that is open keeps the policy that it was opened with.)
    ///
    /// # Errors
    /// As [`Policy::parse`]; with the place, where there is one.
    pub fn of_a_shop(file_name: &str, text: &str, points: &[&str]) -> Result<Self, PolicyFault> {
        let policy = Self::parse(file_name, text)?;
        waive::only(file_name, text, points)?;
        if Self::names().any(|shipped| shipped == policy.name) {
            let what = format!(
                "'{}' is the name of a shipped policy: give this one a name of its own",
                policy.name
            );
            return Err(PolicyFault::bare(file_name, what));
        }
        let without = policy.without_reason();
        if !without.is_empty() {
            let what = format!(
                "numbers are changed, and no why says where they come from: [{}]; write why = \"…\" in each of these tables: a source, or \"engineering judgement\"",
                without.join("], [")
            );
            return Err(PolicyFault::bare(file_name, what));
        }
        Ok(policy)
    }

    /// BLAKE3 of [`Policy::canonical`]: the policy's identity beside its name.
    pub fn hash(&self) -> Blake3 {
        self.hash
    }

    /// How many verified copies an item of `class` needs.
    pub fn copies_wanted(&self, class: Class) -> u32 {
        match class {
            Class::Irreplaceable => self.copies.irreplaceable.get(),
            Class::HardToReplace => self.copies.hard_to_replace.get(),
            Class::Replaceable => self.copies.replaceable.get(),
            Class::Rebuildable => self.copies.rebuildable.get(),
        }
    }

    /// Who may waive the open point `id`. What the policy does not name, nobody may.
    pub fn who_waives(&self, id: &str) -> Who {
        self.waive.who(id)
    }

    /// The rule of that name.
    pub fn rule(&self, id: &str) -> Option<&Rule> {
        self.rules.iter().find(|rule| rule.id == id)
    }

    /// The tables whose numbers were changed without a word why.
    pub fn without_reason(&self) -> Vec<&'static str> {
        let tables = self.tables().into_iter();
        tables
            .filter(|(_, _, why)| *why == table::NO_REASON)
            .map(|(name, ..)| name)
            .collect()
    }

    /// Every table as (name, its keys with values, why).
    pub fn tables(&self) -> Vec<(&'static str, Shown, &str)> {
        vec![
            ("health", self.health.shown(), &self.health.why),
            (
                "verification",
                self.verification.shown(),
                &self.verification.why,
            ),
            (
                "certificate",
                self.certificate.shown(),
                &self.certificate.why,
            ),
            ("copies", self.copies.shown(), &self.copies.why),
            ("value", self.value.shown(), &self.value.why),
            ("waive", self.waive.shown(), &self.waive.why),
            (
                "second-look",
                self.second_look.shown(),
                &self.second_look.why,
            ),
            ("heat", self.heat.shown(), &self.heat.why),
            ("vanishing", self.vanishing.shown(), &self.vanishing.why),
            ("keeping", self.keeping.shown(), &self.keeping.why),
            ("routes", self.routes.shown(), &self.routes.why),
            ("survey", self.survey.shown(), &self.survey.why),
        ]
    }

    /// The whole policy as text that is the same whatever file, order or blanks it was written with.
    pub fn canonical(&self) -> String {
        let mut out = String::new();
        let _ = writeln!(
            out,
            "name = {:?}\nsays = {:?}\npractice = {}",
            self.name, self.says, self.practice
        );
        for (table, keys, why) in self.tables() {
            for (key, value) in keys {
                let _ = writeln!(out, "{table}.{key} = {value}");
            }
            let _ = writeln!(out, "{table}.why = {why:?}");
        }
        for rule in &self.rules {
            let _ = writeln!(out, "{}", rule.canonical());
        }
        out
    }

    /// Lines for people: every number with its reason, then every class rule.
    pub fn explain(&self) -> Vec<String> {
        let mut out = Vec::new();
        if !self.extends.is_empty() {
            out.push(format!("starts from {}", self.extends.join(", ")));
        }
        if self.practice {
            out.push(PRACTICE_SAYS.to_owned());
        }
        for (table, keys, why) in self.tables() {
            out.push(String::new());
            out.push(table.to_owned());
            out.extend(
                keys.into_iter()
                    .map(|(key, value)| format!("  {key}: {value}")),
            );
            out.push(format!("  why: {why}"));
        }
        out.push(String::new());
        out.push(
            "class rules, the first that matches decides; what none matches is irreplaceable"
                .to_owned(),
        );
        out.extend(
            self.rules
                .iter()
                .map(|rule| format!("  {}", rule.explain())),
        );
        out
    }
}

#[cfg(test)]
mod tests;
