//! `verify BAG`: a bag checked with no job at hand, on this machine or another.
//!
//! Invariant: a statement is written only for a bag that is complete and valid, and beside it, so
//! that writing it voids nothing.

use crate::job::fault_problem;
use crate::port::{Bench, Fault};
use crate::step::event::{Event, Step, Tell};
use crate::step::outcome::{Exit, Outcome, Problem, ReadBack, Verified};
use crate::step::request::VerifyRequest;

/// Checks a bag with no job at hand; with `--attest` this machine states what it found, beside the bag.
pub fn verify_bag(
    bench: &dyn Bench,
    request: &VerifyRequest,
    tell: Tell<'_>,
) -> Result<Outcome<Verified>, Problem> {
    tell(Event::Started { step: Step::Verify });
    let gone = |fault: Fault| {
        fault_problem(&fault, "name the folder that holds bagit.txt").on_path(&request.path)
    };
    let path = bench.absolute(&request.path).map_err(gone)?;
    let shown = crate::job::KeptPath::of(&path).text;
    let bag = bench.destination(&path, false).map_err(gone)?;
    let network = bag.facts().is_ok_and(|facts| facts.network);
    let before = bag.fetched_bytes();
    let checked =
        crate::bag::check::check(bag.as_ref(), "", &shown, bench.workers(), bench.memory())
            .map_err(gone)?;
    let fetched = bag
        .fetched_bytes()
        .zip(before)
        .map(|(now, before)| now.saturating_sub(before));
    let method = match (network, fetched) {
        (true, _) => ReadBack::Network,
        (false, Some(fetched)) if fetched >= checked.read_bytes => ReadBack::Medium,
        _ => ReadBack::CacheSuspected,
    };
    let whole =
        checked.mismatched.is_empty() && checked.missing.is_empty() && checked.extra.is_empty();
    if request.attest {
        match (whole, checked.root, path.parent()) {
            (true, Some(root), Some(beside)) => {
                let beside = bench.destination(beside, false).map_err(gone)?;
                let name = crate::step::attest::write(
                    bench,
                    beside.as_ref(),
                    root,
                    checked.verified.items,
                    checked.verified.bytes,
                )
                .map_err(|fault| {
                    fault_problem(
                        &fault,
                        "connect the destination for writing, then do the same again",
                    )
                })?;
                tell(Event::Warn {
                    says: format!("this machine's statement stands beside the bag: {name}"),
                });
            }
            _ => tell(Event::Warn {
                says: "no statement was written: the bag is not complete and valid".into(),
            }),
        }
    }
    tell(Event::Finished);
    let result = Verified {
        verified: checked.verified,
        mismatched: checked.mismatched,
        missing: checked.missing,
        extra: checked.extra,
        method,
    };
    let exit = if whole { Exit::Done } else { Exit::Failed };
    Ok(Outcome::alone(result).ending(exit))
}
