//! Watching the drives while they are copied: a reading every few minutes, a pause on heat, and
//! another route when the drive says so.
//!
//! Invariant: only live drives are asked (an image has no health, recorded replies get no younger); within one run the
//! route only ever gets more careful. A watch that cannot read keeps what was known, and the gate names the rest.

use crate::drive::evidence::EvidenceMedium;
use crate::drive::reading::Reading;
use crate::job::{Job, ledger_problem};
use crate::step::assess;
use crate::step::event::{Event, Tell};
use crate::step::outcome::{Problem, Route};

/// Rest between two looks at a hot drive, nanoseconds.
const COOLING: u64 = 30_000_000_000;
/// Looks at a hot drive before giving up: half an hour.
const LOOKS: u32 = 60;

/// What a look came to.
#[derive(Debug, Clone, PartialEq)]
pub enum Watched {
    /// Nothing has changed.
    GoOn,
    /// The route is another one now.
    Rerouted,
    /// Copying must stop, and why.
    Stop(String),
}

/// The watch over one copying run.
pub struct Watch<'a, 'b> {
    job: &'a Job<'b>,
    drives: Vec<usize>,
    due: u64,
    every: u64,
    /// The route as it stands.
    pub route: Route,
}

impl<'a, 'b> Watch<'a, 'b> {
    /// A watch that begins now, over the drives that are here.
    pub fn new(job: &'a Job<'b>, route: Route, is_away: impl Fn(usize) -> bool) -> Self {
        let live = job.setup.replies.is_none();
        let drives = job
            .setup
            .drives
            .iter()
            .enumerate()
            .filter(|(_, kept)| live && !kept.is_image && !kept.is_loop)
            .map(|(number, _)| number)
            .filter(|number| !is_away(*number))
            .collect();
        let every = u64::from(job.policy.health.during_copy_minutes.get()) * 60_000_000_000;
        Self {
            job,
            drives,
            due: job.bench.clock().ticks().saturating_add(every),
            every,
            route,
        }
    }

    /// Takes a reading of every live drive whose newest one is older than the policy allows before a copy; the route is
    /// then the one that they decide.
    pub fn before(&mut self) -> Result<(), Problem> {
        let limit = f64::from(self.job.policy.health.before_copy_minutes.get()) / 60.0;
        for drive in self.drives.clone() {
            let taken = assess::newest_of(self.job, drive)?.map(|reading| reading.taken);
            if taken.is_none_or(|taken| self.job.now().hours_since(taken) > limit) {
                let reading = assess::take(self.job, drive, None)?;
                assess::keep(self.job, drive, &reading, false)?;
            }
        }
        if !self.drives.is_empty() {
            assess::judge_again(self.job)?;
            let facts = self.job.ledger.facts().map_err(|e| ledger_problem(&e))?;
            self.route = crate::step::route_of(self.job, &facts).max(self.route);
            if let Some(refused) = crate::step::refer_refusal(self.job, &facts, self.route) {
                return Err(refused);
            }
        }
        Ok(())
    }

    /// Looks when it is time; cheap otherwise.
    pub fn look(&mut self, tell: Tell<'_>) -> Result<Watched, Problem> {
        if self.drives.is_empty() || self.job.bench.clock().ticks() < self.due {
            return Ok(Watched::GoOn);
        }
        self.due = self.job.bench.clock().ticks().saturating_add(self.every);
        for drive in self.drives.clone() {
            if let Some(why) = self.cool(drive, tell)? {
                return Ok(Watched::Stop(why));
            }
        }
        self.judge("a reading during the copy", tell)
    }

    /// Judges the route again, now that errors were met on a drive that is not read by the salvage route yet.
    pub fn judge_errors(&mut self, drive: usize, tell: Tell<'_>) -> Result<Watched, Problem> {
        let judged = self.judge("an error met on the way", tell)?;
        if judged != Watched::GoOn {
            return Ok(judged);
        }
        // Another drive of the job may have made the route what it is before.
        let facts = self.job.ledger.facts().map_err(|e| ledger_problem(&e))?;
        let route = crate::step::state::route_of_drive(self.job, &facts, drive);
        if route < Route::Salvage {
            return Ok(Watched::GoOn);
        }
        let why = "an error was met on a drive that had shown none".to_owned();
        tell(Event::Rerouted { route, why });
        Ok(Watched::Rerouted)
    }

    fn judge(&mut self, what: &str, tell: Tell<'_>) -> Result<Watched, Problem> {
        assess::judge_again(self.job)?;
        let facts = self.job.ledger.facts().map_err(|e| ledger_problem(&e))?;
        let route = crate::step::route_of(self.job, &facts);
        if route <= self.route {
            return Ok(Watched::GoOn);
        }
        self.route = route;
        let why = format!("{what} made the route {}", route.word());
        if route == Route::Refer && !crate::step::state::refer_decided(&facts) {
            return Ok(Watched::Stop(format!(
                "{why}: ask the owner before anything more is read"
            )));
        }
        tell(Event::Rerouted { route, why });
        Ok(Watched::Rerouted)
    }

    /// Reads one drive, and waits while it is too hot; `Some` = it does not cool down.
    fn cool(&self, drive: usize, tell: Tell<'_>) -> Result<Option<String>, Problem> {
        let mut paused = false;
        for _ in 0..LOOKS {
            let reading = assess::take(self.job, drive, None)?;
            assess::keep(self.job, drive, &reading, true)?;
            let limit = heat_limit(self.job, &reading);
            let resume = limit - f64::from(self.job.policy.heat.resume_below_celsius.get());
            match reading.evidence.celsius {
                Some(celsius) if celsius >= limit || (paused && celsius > resume) => {
                    if !paused {
                        tell(Event::Paused {
                            why: format!(
                                "the drive has {celsius:.0} °C; copying goes on below {resume:.0} °C"
                            ),
                        });
                        paused = true;
                    }
                }
                // A drive that does not tell its heat is not waited for.
                _ => {
                    if paused {
                        tell(Event::Resumed);
                    }
                    return Ok(None);
                }
            }
            if self.job.bench.stop_asked() {
                return Ok(Some("stopped as asked, while the drive cooled".into()));
            }
            self.job.bench.clock().rest(COOLING);
        }
        Ok(Some(
            "the drive does not cool down; give it air, then go on".into(),
        ))
    }
}

/// From which heat on copying pauses, in degrees Celsius.
fn heat_limit(job: &Job<'_>, reading: &Reading) -> f64 {
    let heat = &job.policy.heat;
    let disk = f64::from(heat.disk_pause_celsius.get());
    if reading.evidence.medium != Some(EvidenceMedium::Nvme) {
        return disk;
    }
    let kelvin = reading
        .report()
        .decoded
        .get("wctemp_kelvin")
        .and_then(serde_json::Value::as_f64);
    match kelvin {
        Some(kelvin) if kelvin > 273.0 => {
            kelvin - 273.0 - f64::from(heat.below_warning_celsius.get())
        }
        _ => disk,
    }
}
