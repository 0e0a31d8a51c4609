//! A policy as it stands in its file: any table may be missing, nothing may be unknown.

use super::fault::PolicyFault;
use super::rule::{Rule, RuleDraft};
use super::table::{
    CertificateDraft, CopiesDraft, HealthDraft, HeatDraft, KeepingDraft, RoutesDraft,
    SecondLookDraft, SurveyDraft, ValueDraft, VanishingDraft, VerificationDraft,
};
use super::waive::WaiveDraft;
use super::{Policy, table};
use crate::value::Blake3;
use serde::Deserialize;
use toml::Spanned;

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub(super) struct Draft {
    pub(super) name: Option<String>,
    pub(super) says: Option<String>,
    pub(super) extends: Option<Spanned<String>>,
    pub(super) include: Option<Vec<String>>,
    practice: Option<bool>,
    health: HealthDraft,
    verification: VerificationDraft,
    certificate: CertificateDraft,
    copies: CopiesDraft,
    value: ValueDraft,
    waive: WaiveDraft,
    second_look: SecondLookDraft,
    heat: HeatDraft,
    vanishing: VanishingDraft,
    keeping: KeepingDraft,
    routes: RoutesDraft,
    survey: SurveyDraft,
    rule: Vec<Spanned<RuleDraft>>,
    #[serde(skip)]
    rules: Vec<Rule>,
}

impl Draft {
    pub(super) fn parse(file: &str, text: &str) -> Result<Self, PolicyFault> {
        let mut draft: Draft =
            toml::from_str(text).map_err(|error| PolicyFault::toml(file, text, &error))?;
        for rule in std::mem::take(&mut draft.rule) {
            let place = PolicyFault::at(file, text, rule.span().start);
            let rule = rule
                .into_inner()
                .resolved()
                .map_err(|what| place.clone().says(what))?;
            if draft.rules.iter().any(|other| other.id == rule.id) {
                return Err(place.says(format!("there are two rules '{}'", rule.id)));
            }
            draft.rules.push(rule);
        }
        Ok(draft)
    }

    /// Fills what is missing from `base`. Own rules come first; an own rule replaces the base's rule of its name.
    pub(super) fn over(&mut self, base: Self) {
        self.include = self.include.take().or(base.include);
        self.practice = self.practice.or(base.practice);
        self.health.over(base.health);
        self.verification.over(base.verification);
        self.certificate.over(base.certificate);
        self.copies.over(base.copies);
        self.value.over(base.value);
        self.waive.over(base.waive);
        self.second_look.over(base.second_look);
        self.heat.over(base.heat);
        self.vanishing.over(base.vanishing);
        self.keeping.over(base.keeping);
        self.routes.over(base.routes);
        self.survey.over(base.survey);
        for rule in base.rules {
            if !self.rules.iter().any(|own| own.id == rule.id) {
                self.rules.push(rule);
            }
        }
    }

    pub(super) fn resolved(
        self,
        file: &str,
        name: String,
        says: String,
        extends: Vec<String>,
    ) -> Result<Policy, PolicyFault> {
        let policy = Policy {
            name,
            says,
            file: file.to_owned(),
            extends,
            practice: self.practice.unwrap_or(false),
            health: self.health.resolved(file)?,
            verification: self.verification.resolved(file)?,
            certificate: self.certificate.resolved(file)?,
            copies: self.copies.resolved(file)?,
            value: self.value.resolved(file)?,
            waive: self.waive.resolved(),
            second_look: self.second_look.resolved(file)?,
            heat: self.heat.resolved(file)?,
            vanishing: self.vanishing.resolved(file)?,
            keeping: self.keeping.resolved(file)?,
            routes: self.routes.resolved(file)?,
            survey: self.survey.resolved(file)?,
            rules: self.rules,
            hash: Blake3([0; 32]),
        };
        contradictions(&policy).map_or(Ok(()), |what| Err(PolicyFault::bare(file, what)))?;
        Ok(policy)
    }
}

/// What no single value shows.
fn contradictions(policy: &Policy) -> Option<String> {
    let table::Certificate {
        valid_hours,
        longest_hours,
        ..
    } = &policy.certificate;
    if valid_hours > longest_hours {
        return Some(format!(
            "[certificate] valid-hours {valid_hours} is more than longest-hours {longest_hours}"
        ));
    }
    let table::Vanishing {
        reseat_times,
        refer_at_times,
        ..
    } = &policy.vanishing;
    if reseat_times.get() >= refer_at_times.get() {
        return Some(format!(
            "[vanishing] reseat-times {reseat_times} must be less than refer-at-times {refer_at_times}"
        ));
    }
    let routes = &policy.routes;
    if routes.gentle_mid > routes.refer_mid {
        return Some(format!(
            "[routes] gentle-mid {} must not be above refer-mid {}",
            routes.gentle_mid, routes.refer_mid
        ));
    }
    if policy.rules.len() > usize::from(u16::MAX - 16) {
        return Some("there are more class rules than can be numbered (65,519)".to_owned());
    }
    let value = &policy.value;
    let order = [
        value.irreplaceable.get(),
        value.hard_to_replace.get(),
        value.replaceable.get(),
        value.rebuildable.get(),
    ];
    if !order.is_sorted_by(|a, b| a >= b) {
        return Some("[value] must not rise from irreplaceable down to rebuildable".to_owned());
    }
    None
}
