//! What the face needs from the engine: one method per command. The face never reaches past it.

use crate::step::event::Tell;
use crate::step::outcome::*;
use crate::step::request::*;
use std::path::Path;

/// What a step answers.
pub type Answer<T> = Result<Outcome<T>, Problem>;

/// The engine as the face sees it. Every method does one step of a job to its end (or to its
/// limit), tells only what it has committed, and never prints or asks.
pub trait Engine {
    /// Whether somebody asked to stop (Ctrl-C).
    fn stop_asked(&self) -> bool {
        false
    }
    /// Starts a job and puts its drives on hold.
    fn open(&self, request: &OpenRequest, tell: Tell) -> Answer<Opened>;
    /// Reads health and computes the forecast.
    fn assess(&self, request: &AssessRequest, tell: Tell) -> Answer<Assessed>;
    /// Surveys and orders.
    fn plan(&self, request: &PlanRequest, tell: Tell) -> Answer<Planned>;
    /// Copies.
    fn copy(&self, request: &CopyRequest, tell: Tell) -> Answer<Copied>;
    /// Reads copies back.
    fn verify(&self, request: &VerifyRequest, tell: Tell) -> Answer<Verified>;
    /// Looks into copies.
    fn inspect(&self, request: &InspectRequest, tell: Tell) -> Answer<Inspected>;
    /// Records a waiver.
    fn waive(&self, request: &WaiveRequest) -> Answer<Waived>;
    /// Records the answer to a must-have.
    fn answer(&self, request: &AnswerRequest) -> Answer<Answered>;
    /// Asks the gate.
    fn release(&self, request: &ReleaseRequest, tell: Tell) -> Answer<Released>;
    /// Looks whether the release still holds.
    fn recheck(&self, request: &RecheckRequest, tell: Tell) -> Answer<Rechecked>;
    /// Runs a command against a released drive.
    fn guard(&self, request: &GuardRequest, tell: Tell) -> Answer<Guarded>;
    /// Writes a paper.
    fn print(&self, request: &PrintRequest) -> Answer<Printed>;
    /// Returns items.
    fn put_back(&self, request: &PutBackRequest, tell: Tell) -> Answer<PutBack>;
    /// Ends the shop's own copy.
    fn close(&self, request: &CloseRequest, tell: Tell) -> Answer<Closed>;
    /// Where one job stands.
    fn show(&self, job: &Path) -> Answer<Shown>;
    /// Where every job stands.
    fn show_all(&self) -> Answer<ShownAll>;
    /// The demonstration.
    fn demo(&self, request: &DemoRequest, tell: Tell) -> Answer<Demonstrated>;
    /// The policies that are shipped.
    fn policies(&self) -> Answer<PoliciesListed>;
    /// One policy, explained or checked. A faulty file is a [`Problem`] that names line and column.
    fn policy(&self, request: &PolicyRequest) -> Answer<PolicyExplained>;
}
