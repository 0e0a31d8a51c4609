//! Whether the ledger's rows and settings are those that its chain of facts speaks of.

use crate::job::{Job, ledger_problem};
use crate::ledger::{Fact, FactBody, standing};
use crate::step::outcome::Problem;
use crate::value::Blake3;
use std::collections::HashMap;

/// What `open` settled stands in the chain too; the two must agree.
pub(super) fn edited_setup(job: &Job<'_>, facts: &[Fact]) -> Option<String> {
    let kept = facts.iter().rev().find_map(|fact| match &fact.body {
        FactBody::Opened { setup } => Some(setup),
        _ => None,
    })?;
    let used = serde_json::to_value(&job.setup).ok();
    (used.as_ref() != Some(kept))
        .then(|| "the setup of the job is not the one that the chain of facts holds".to_owned())
}

/// A row that names a batch which did not write it would put off when its copy was made: no batch has more rows than its
/// fact counts. (A later batch takes rows over, so it may have fewer.)
pub(super) fn moved_batches(
    job: &Job<'_>,
    rows: &HashMap<i64, u64>,
) -> Result<Option<String>, Problem> {
    let sizes = job.ledger.batch_sizes().map_err(|e| ledger_problem(&e))?;
    let is_over = |(batch, rows): &(&i64, &u64)| {
        **batch != 0 && sizes.get(batch).is_none_or(|size| size < *rows)
    };
    let over = rows.iter().filter(is_over).map(|(batch, _)| batch).min();
    Ok(over.map(|batch| format!("more rows name batch {batch} than the fact about it counts")))
}

/// What the survey found, against the digests in the chain: it decides what becomes of an item, and how it comes back.
pub fn edited_survey(job: &Job<'_>, facts: &[Fact]) -> Result<Option<String>, Problem> {
    let Some(FactBody::Surveyed {
        tree, wear, told, ..
    }) = standing::surveyed(facts).map(|fact| &fact.body)
    else {
        return Ok(None);
    };
    let (tree_now, wear_now) = crate::step::plan::survey_digests(job)?;
    let told_now = crate::step::plan::told_digest(job)?;
    let differs = |kept: Option<Blake3>, now| kept.is_some_and(|kept| kept != now);
    Ok(
        (tree_now != *tree || differs(*wear, wear_now) || differs(*told, told_now))
            .then(|| "what the survey found is not what the fact about it says".to_owned()),
    )
}
