//! Taking the names out of a ledger whose job is closed.
//!
//! Invariant: what stays can still be checked: the facts are chained anew, and the first of them carries
//! the hash that the old chain ended with, so an old signed certificate (which names a hash of that
//! chain) still belongs to this job. What goes, goes from the file too, not only from its tables. It is
//! one transaction: a ledger is either whole or stripped.

use super::facts::CHAIN_START;
use super::row::encode;
use super::{Fact, FactBody, GotRow, Ledger, LedgerError, RowSum};
use crate::value::Moment;
use crate::value::words::WaiverScope;

/// What stands where something was taken out.
pub const TAKEN_OUT: &str = "taken out";

impl Ledger {
    /// Takes out every name, path, reason and text of a person; items stay as numbers with their size, class
    /// and digest, and none of them counts as saved any more. `setup` is the setup without names, `last`
    /// the fact that closes the job.
    pub fn strip_names(
        &self,
        at: Moment,
        setup: &serde_json::Value,
        last: &FactBody,
    ) -> Result<(), LedgerError> {
        let mut kept = Vec::new();
        let (mut head, mut count) = (CHAIN_START, 0);
        self.each_fact(|fact| {
            (head, count) = (fact.hash, fact.number);
            if let Some(body) = without_names(&fact, setup) {
                kept.push((fact.at, body));
            }
        })?;
        // Deleted content is overwritten with zeros in the file, and none of it stays in the journal
        // (sqlite.org/pragma.html, secure_delete and journal_mode).
        self.doing(
            "preparing to take names out",
            self.db()
                .execute_batch("PRAGMA secure_delete=ON; PRAGMA journal_mode=TRUNCATE;"),
        )?;
        self.transaction::<_, LedgerError>(|ledger| {
            ledger.doing(
                "taking names out",
                ledger.db().execute_batch(
                    "UPDATE item SET name = CAST(CAST(id AS TEXT) AS BLOB), wide = 0, stream = NULL, bag = NULL, target = NULL,
                       fault = NULL, layout = NULL, device = 0, inode = 0, user = 0, grp = 0;
                     UPDATE got SET state = 0, written = 0, verified = 0, mismatch = 0, again = 0, missing = NULL, fault = NULL;
                     DELETE FROM attribute; DELETE FROM place; DELETE FROM queue; DELETE FROM range; DELETE FROM doubt; DELETE FROM fact;
                     DELETE FROM setting WHERE key NOT GLOB 'reading-*';",
                ),
            )?;
            ledger.set("setup", &setup.to_string())?;
            let first = FactBody::Stripped {
                chain_head: head,
                facts: count as u64,
            };
            ledger.record(at, &first)?;
            for (then, body) in &kept {
                ledger.record(*then, body)?;
            }
            let mut sum = RowSum::default();
            ledger.each_item::<LedgerError>("", |item, got: GotRow| {
                sum.add(&encode(item.id, item.want, item.waiver, &got));
                Ok(())
            })?;
            ledger.rows_moved(at, sum)?;
            ledger.record(at, last)?;
            Ok(())
        })?;
        self.doing(
            "making the ledger small again",
            self.db().execute_batch("VACUUM"),
        )
    }
}

/// The fact without names; `None` = it says nothing that is still of use.
fn without_names(fact: &Fact, setup: &serde_json::Value) -> Option<FactBody> {
    let mut body = fact.body.clone();
    let out = |text: &mut String| {
        if !text.is_empty() {
            *text = TAKEN_OUT.to_owned();
        }
    };
    match &mut body {
        FactBody::Batch { .. }
        | FactBody::RowsMoved { .. }
        | FactBody::Salvaged { .. }
        | FactBody::Ordered { .. } => {
            return None;
        }
        FactBody::Opened { setup: kept } => *kept = setup.clone(),
        FactBody::Waived { waiver, .. } => {
            // A point, a class, a volume and everything are words of the program; paths are not.
            if matches!(waiver.scope, WaiverScope::Items | WaiverScope::Doubtful) {
                out(&mut waiver.about);
            }
            out(&mut waiver.reason);
            out(&mut waiver.name);
            if let Some((name, _)) = &mut waiver.proof {
                out(name);
            }
        }
        FactBody::Answered {
            found, not_here, ..
        } => {
            found.iter_mut().for_each(out);
            not_here.iter_mut().for_each(out);
        }
        FactBody::AskedToRelease {
            second_look, seen, ..
        } => second_look.iter_mut().chain(seen.texts()).for_each(out),
        FactBody::Rechecked { changed, .. } => changed.iter_mut().for_each(out),
        FactBody::Guarded {
            command, refused, ..
        } => {
            command.iter_mut().for_each(out);
            refused.iter_mut().for_each(out);
        }
        FactBody::GuardStarted { path, command, .. } => {
            out(path);
            command.iter_mut().for_each(out);
        }
        FactBody::HeldAgain { why, .. }
        | FactBody::GivenBack { why, .. }
        | FactBody::Vanished { why, .. } => out(why),
        FactBody::Sampled { error, .. } => error.iter_mut().for_each(out),
        FactBody::PutBack { to, .. } => out(to),
        FactBody::Copied { stopped, .. } => stopped.iter_mut().for_each(out),
        FactBody::Closed { reason, .. } => reason.iter_mut().for_each(out),
        FactBody::Inspected { false_content, .. } => {
            false_content
                .iter_mut()
                .for_each(|found| out(&mut found.example));
        }
        FactBody::Read { .. }
        | FactBody::Forecast { .. }
        | FactBody::SurveyBegun { .. }
        | FactBody::Surveyed { .. }
        | FactBody::Closing { .. }
        | FactBody::TakenBack { .. }
        | FactBody::Moved { .. }
        | FactBody::Sealed { .. }
        | FactBody::Verified { .. }
        | FactBody::SourceReadAgain { .. }
        | FactBody::Released { .. }
        | FactBody::Stripped { .. } => {}
    }
    Some(body)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_chain_goes_on_from_the_old_ones_hash() {
        let ledger = Ledger::in_memory().unwrap();
        let at = Moment::from_seconds(1_764_100_000);
        let put_back = FactBody::PutBack {
            to: "/home/ottilie".into(),
            items: 3,
            bytes: 9,
            already_there: 0,
            set_beside: 0,
            refused: 0,
            part: false,
        };
        let looked = FactBody::Inspected {
            looked: 3,
            doubtful: 0,
            false_content: None,
        };
        ledger.record(at, &looked).unwrap();
        let head = ledger.record(at, &put_back).unwrap().hash;
        let last = FactBody::Closed {
            deleted_items: 3,
            deleted_bytes: 9,
            keep_until: None,
            reason: None,
        };
        let setup = serde_json::json!({"owner": null});
        ledger.strip_names(at, &setup, &last).unwrap();
        let facts = ledger.facts().unwrap();
        assert_eq!(
            facts[0].body,
            FactBody::Stripped {
                chain_head: head,
                facts: 2
            }
        );
        assert_eq!(facts[1].body, looked);
        assert!(
            matches!(&facts[2].body, FactBody::PutBack { to, items: 3, .. } if to == TAKEN_OUT)
        );
        assert_eq!(facts.last().unwrap().body, last);
        assert_eq!(facts.len(), 5);
    }
}
