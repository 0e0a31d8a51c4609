//! What the engine tells while it works: only what it *has committed*, never what it hopes.
//! Text, JSON and progress are consumers; the ledger is not.

use super::outcome::{Amount, Route};
use crate::survey::item::Class;
use serde::Serialize;

/// Where events go. Called from the step's own thread.
pub type Tell<'a> = &'a mut dyn FnMut(Event);

/// The steps that take long enough to tell of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // each is the command of that name
pub enum Step {
    Open,
    Assess,
    Plan,
    Copy,
    Verify,
    Inspect,
    Release,
    PutBack,
    Close,
    Demo,
}

/// One thing that happened.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "event")]
pub enum Event {
    /// A step began.
    Started {
        /// Which.
        step: Step,
    },
    /// What the step has before it, by class, in the order of work.
    Planned {
        /// Class and amount.
        classes: Vec<ClassAmount>,
    },
    /// Something countable without classes moves on (survey: records; sampling: places).
    Counted {
        /// What is counted, in the plural ("file records").
        what: String,
        /// Done so far.
        done: u64,
        /// Of how many; `None` = not known yet.
        all: Option<u64>,
    },
    /// How far one class is. Committed on every destination.
    Class {
        /// Which.
        class: Class,
        /// Items finished, gaps included.
        items_done: u64,
        /// Items of the class.
        items_all: u64,
        /// Bytes finished.
        bytes_done: u64,
        /// Bytes of the class.
        bytes_all: u64,
        /// Finished items that have gaps or could not be read.
        gaps: u64,
    },
    /// Every irreplaceable item is on the medium of as many destinations as the policy wants.
    PreciousSafe,
    /// A batch became durable on every destination.
    Batch {
        /// What it held.
        amount: Amount,
    },
    /// A read or write went wrong. Told once per item, not per sector.
    Fault {
        /// The item or device.
        on: String,
        /// What happened.
        says: String,
    },
    /// Work stopped for now (heat, absence, rest).
    Paused {
        /// Why, and what ends the pause.
        why: String,
    },
    /// Work goes on after a pause.
    Resumed,
    /// The route changed in mid-copy.
    Rerouted {
        /// The new route.
        route: Route,
        /// The signal or fault that decided it.
        why: String,
    },
    /// Something the technician should know now.
    Warn {
        /// The sentence.
        says: String,
    },
    /// The step ended; its result says how.
    Finished,
}

/// How much of one class a step has before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct ClassAmount {
    /// Which class.
    pub class: Class,
    /// How many items.
    pub items: u64,
    /// Their bytes.
    pub bytes: u64,
}
