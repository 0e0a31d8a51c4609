//! `policy`: what the policies demand.

use super::next;
use crate::cli::page::Page;
use crate::step::outcome::{Outcome, PoliciesListed, PolicyExplained};

/// The page of the list.
pub fn list(page: &mut Page, outcome: &Outcome<PoliciesListed>) {
    for policy in &outcome.result.policies {
        page.item(&format!("{}: {}", policy.name, policy.says));
    }
    next(
        page,
        outcome,
        &[(
            "What one demands:",
            "holdpoint policy explain NAME".to_owned(),
        )],
    );
}

/// The page of one policy.
pub fn explain(page: &mut Page, outcome: &Outcome<PolicyExplained>) {
    let explained = &outcome.result;
    page.head(&explained.policy.name);
    page.say(&explained.policy.says);
    // The demands come as lines: a name, and what belongs to it set in below; an empty one parts them.
    for demand in &explained.demands {
        match demand.strip_prefix("  ") {
            Some(of_it) => page.item(of_it),
            None if demand.is_empty() => page.gap(),
            None => page.say(demand),
        }
    }
    page.gap();
    page.say(&format!("BLAKE3 of its text: {}", explained.policy.blake3));
}

/// The page of a check that found nothing wrong.
pub fn check(page: &mut Page, outcome: &Outcome<PolicyExplained>) {
    page.say(&format!(
        "{} is a sound policy.",
        outcome.result.policy.name
    ));
    page.say(&format!(
        "BLAKE3 of its text: {}",
        outcome.result.policy.blake3
    ));
}
