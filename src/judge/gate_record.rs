//! Open points about the record itself: its chain, its policy, its clock.
//!
//! Invariant: nobody decides about them. What a record that does not hold together says is no ground for a decision.

use super::gate::Now;
use super::point::Point;
use crate::value::words::Who;

/// The points that put everything else in doubt.
pub(super) fn of_record(now: &Now) -> Vec<Point> {
    let mut out = Vec::new();
    let nobody = Who::Nobody;
    if let Some(why) = &now.ledger_broken {
        out.push(Point::plain(
            "ledger-broken",
            nobody,
            "the job's record does not hold together",
            "everything this job claims is in doubt",
            why.clone(),
            "keep the copies; open a new job and copy again:\nholdpoint open --to DIR",
        ));
    }
    if let Some(copy) = &now.outrun_by {
        out.push(Point::plain(
            "ledger-broken",
            nobody,
            format!("the job's record is older than its copy at {copy}"),
            "what happened since is not in it: an answer, a change, a refusal",
            format!("the newest fact of the copy at {copy} is none of the record's"),
            "put that copy (its file ledger.db) in the place of the record's, then:\nholdpoint verify JOB",
        ));
    }
    if let Some(why) = &now.policy_edited {
        out.push(Point::plain(
            "policy-edited",
            nobody,
            "the policy is not the one the job was opened with",
            "the rules of this job are in doubt",
            why.clone(),
            "put the policy back as it was, then:\nholdpoint release JOB",
        ));
    }
    if let Some(why) = &now.clock_wrong {
        out.push(Point::plain(
            "clock-wrong",
            nobody,
            "the clock of this machine cannot be right",
            "ages and expiry cannot be judged",
            why.clone(),
            "set the clock, then:\nholdpoint release JOB",
        ));
    }
    out
}
