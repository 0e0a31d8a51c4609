//! One life: a technician takes a job from `open` to its end in a world of troubles, with the real
//! engine, and the oracle looks at every claim on the way.
//!
//! Invariant: the same seed gives the same life, event for event.

use super::bench::{ONE, REPLIES, SOURCE};
use super::oracle::{Broken, GivenUp, Oracle};
use super::seed::Seed;
use super::world::{MORNING, World, make};
use crate::job::{Job, Setup};
use crate::ledger::{FactBody, Got, LedgerError};
use crate::policy::Policy;
use crate::port::Clock;
use crate::step::event::Event;
use crate::step::outcome::{DecidedBy, Exit, How, OpenPoint, Outcome, Problem, State, Who};
use crate::step::request::{
    AssessRequest, CopyRequest, MustHaves, OpenRequest, PlanRequest, ReleaseRequest, Source,
    VerifyRequest, WaiveRequest, WaiveWhat,
};
use crate::survey::item::{Kind, Mark};
use crate::value::Blake3;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::OnceLock;

/// How often the technician goes through the steps before giving up.
const ROUNDS: u32 = 9;

/// What became of a life.
#[derive(Debug, Clone)]
pub struct Lived {
    /// Digest of every event, answer and fact.
    pub fingerprint: Blake3,
    /// Whether the job was released.
    pub released: bool,
    /// How often the power went.
    pub crashes: u32,
    /// Operations and sync points that happened.
    pub operations: (u64, u64),
    /// What happened, in words.
    pub tale: Vec<String>,
    /// Ids of the points that were open at the end.
    pub open: Vec<String>,
}

/// A shipped policy, parsed once for all lives.
fn parsed(name: &str) -> Result<&'static Policy, Broken> {
    static HOME: OnceLock<Result<Policy, Broken>> = OnceLock::new();
    static PRACTICE: OnceLock<Result<Policy, Broken>> = OnceLock::new();
    let kept = if name == "home" { &HOME } else { &PRACTICE };
    kept.get_or_init(|| Policy::builtin(name).map_err(|e| e.to_string()))
        .as_ref()
        .map_err(Clone::clone)
}

/// What a step came to.
struct Answered {
    exit: Exit,
    points: Vec<OpenPoint>,
}

/// A life in progress.
pub struct Story<'w> {
    world: &'w World,
    draw: Seed,
    hasher: blake3::Hasher,
    tale: Vec<String>,
    given_up: GivenUp,
    crashes: u32,
    more_crashes: u32,
    steps: u32,
    job: Option<PathBuf>,
    attempts: u32,
}

/// Lives the life of one seed. The error says what the engine got wrong, and how to see it again.
pub fn live(seed: u64) -> Result<Lived, Broken> {
    let world = make(seed);
    let told = |broken| format!("seed {seed}: {broken}; troubles: {:?}", world.troubles);
    let lived = Story::new(&world, Seed::new(seed).branch("technician"))
        .live()
        .map_err(told)?;
    if world.must_release && !lived.released {
        return Err(told(format!(
            "nothing stood in the way, and it was not released: {:?}; {:#?}",
            lived.open, lived.tale
        )));
    }
    Ok(lived)
}

impl<'w> Story<'w> {
    /// A technician before a world.
    pub fn new(world: &'w World, draw: Seed) -> Self {
        Self {
            world,
            draw,
            hasher: blake3::Hasher::new(),
            tale: Vec::new(),
            given_up: GivenUp::default(),
            crashes: 0,
            more_crashes: world.more_crashes,
            steps: 0,
            job: None,
            attempts: 0,
        }
    }

    fn say(&mut self, what: String) {
        self.hasher.update(what.as_bytes());
        self.tale.push(what);
    }

    /// From `open` to a release, or to a hold that nothing ends.
    pub fn live(mut self) -> Result<Lived, Broken> {
        let mut released = false;
        let (mut open, mut stood) = (Vec::new(), Vec::new());
        for _ in 0..ROUNDS {
            if self.job.is_none() && !self.open()? {
                continue;
            }
            match self.round()? {
                Round::Released => {
                    released = true;
                    open.clear();
                    break;
                }
                Round::Hold(points) => {
                    let ids: Vec<String> = points.iter().map(|point| point.id.clone()).collect();
                    open = ids;
                    // The same point again about something else is a new one.
                    let now: Vec<_> = points
                        .iter()
                        .map(|point| (point.id.clone(), point.evidence.clone()))
                        .collect();
                    let before = std::mem::replace(&mut stood, now);
                    if before == stood && !self.can_do_more(&points) {
                        break;
                    }
                }
                Round::Interrupted => {}
            }
        }
        if released {
            self.after_release()?;
        }
        self.end(released, open)
    }

    fn can_do_more(&self, points: &[OpenPoint]) -> bool {
        self.world.limit_bytes.is_some() || points.iter().any(|point| point.who != Who::Nobody)
    }

    fn end(mut self, released: bool, open: Vec<String>) -> Result<Lived, Broken> {
        if self.job.is_some() {
            let ledger = self.world.bench.ledger().map_err(|e| e.to_string())?;
            let facts = ledger.facts().map_err(|e| e.to_string())?;
            for fact in facts {
                self.hasher.update(&fact.hash.0);
            }
        }
        let fate = &self.world.bench.fate;
        Ok(Lived {
            fingerprint: Blake3(*self.hasher.finalize().as_bytes()),
            released,
            crashes: self.crashes,
            operations: (fate.operations(), fate.syncs()),
            tale: self.tale,
            open,
        })
    }

    /// Opens a job; `false` = it did not come about this time.
    fn open(&mut self) -> Result<bool, Broken> {
        let world = self.world;
        self.attempts += 1;
        let dir = PathBuf::from(format!("{ONE}/work-{}", self.attempts));
        let request = OpenRequest {
            source: Source::Folder(SOURCE.into()),
            to: world.to(),
            job: Some(dir.clone()),
            policy: Some(world.policy.into()),
            owner: Some("Marta Feld".into()),
            technician: Some("Jo".into()),
            symptom: Some(world.symptom),
            memory: Some(world.told_memory),
            machine: Some(world.machine),
            must_have: Some(MustHaves::Nothing),
            replies: world.asks_health.then(|| REPLIES.into()),
        };
        let bench = &world.bench;
        let mut events = Vec::new();
        let answer =
            crate::step::open::open(bench, &request, &|_| bench.new_ledger(), &mut |event| {
                events.push(event)
            });
        self.hear(&events);
        let opened = answer.is_ok();
        self.say(format!("open: {}", words(&answer)));
        if bench.fate.is_dead() {
            self.start_again();
            // The job may be there: its setup is one transaction.
            let there = bench.ledger().and_then(|ledger| ledger.get("setup"));
            if there.is_ok_and(|setup| setup.is_some()) {
                self.job = Some(dir);
            }
        } else if opened {
            self.job = Some(dir);
        } else {
            self.put_right();
        }
        Ok(self.job.is_some())
    }

    fn hear(&mut self, events: &[Event]) {
        for event in events {
            self.hasher.update(format!("{event:?}").as_bytes());
        }
    }

    fn start_again(&mut self) {
        self.crashes += 1;
        let fate = &self.world.bench.fate;
        self.world.bench.start_again();
        self.say("the power went, and the machine was started again".into());
        if self.more_crashes > 0 {
            self.more_crashes -= 1;
            let at = fate.syncs() + self.draw.between(1, 60);
            fate.crash_at_sync(at);
        }
    }

    /// Everything that a technician can put right by hand.
    fn put_right(&mut self) {
        let bench = &self.world.bench;
        bench.plug_in_again();
        for (path, disk) in self.world.to().iter().zip(&self.world.disks) {
            bench.plug(&path.display().to_string(), disk.clone());
        }
        if self.world.clock_wrong && bench.clock.now() < MORNING {
            bench.clock.set(MORNING);
        }
    }

    /// One step of the engine, watched by the oracle. `None` = the power went, or it failed.
    fn step<T>(
        &mut self,
        name: &str,
        act: impl FnOnce(&Job<'_>, &mut dyn FnMut(Event)) -> Result<Outcome<T>, Problem>,
    ) -> Result<Option<Answered>, Broken> {
        self.steps += 1;
        let world = self.world;
        if world.swap_after == Some(self.steps) {
            world.bench.plug(ONE, world.stranger.clone());
            self.say("a stranger's drive is plugged in".into());
        }
        let Some(dir) = self.job.clone() else {
            return Ok(None);
        };
        let job = self.open_job(dir.clone())?;
        let before = self.oracle(&job).saved()?;
        let mut events = Vec::new();
        let answer = act(&job, &mut |event| events.push(event));
        self.hear(&events);
        self.say(format!("{name}: {}", words(&answer)));
        drop(job);
        let crashed = world.bench.fate.is_dead();
        if crashed {
            self.start_again();
        }
        let job = self.open_job(dir)?;
        let oracle = self.oracle(&job);
        let tell = |broken| format!("after {name}: {broken}; {:#?}", self.tale);
        oracle.copied().map_err(tell)?;
        if world.trust.reads {
            oracle.nothing_lost(&before).map_err(tell)?;
        }
        if name == "verify" && !crashed && answer.is_ok() {
            oracle.verified().map_err(tell)?;
            let clean = answer
                .as_ref()
                .is_ok_and(|answer| answer.exit == Exit::Done);
            let all_here = job.destinations().iter().all(Result::is_ok);
            if clean && all_here && world.trust.rest && world.trust.reads {
                oracle.manifests().map_err(tell)?;
            }
        }
        Ok(match answer {
            Ok(answer) if !crashed => Some(Answered {
                exit: answer.exit,
                points: answer.open_points,
            }),
            _ => None,
        })
    }

    fn oracle<'a>(&'a self, job: &'a Job<'a>) -> Oracle<'a> {
        Oracle {
            bench: &self.world.bench,
            job,
            disks: &self.world.disks,
            trust: self.world.trust,
        }
    }

    fn facts(&self, wanted: fn(&crate::ledger::FactBody) -> bool) -> Result<bool, Broken> {
        let ledger = self.world.bench.ledger().map_err(|e| e.to_string())?;
        let facts = ledger.facts().map_err(|e| e.to_string())?;
        Ok(facts.iter().any(|fact| wanted(&fact.body)))
    }

    fn is_surveyed(&self) -> Result<bool, Broken> {
        let ledger = self.world.bench.ledger().map_err(|e| e.to_string())?;
        let facts = ledger.facts().map_err(|e| e.to_string())?;
        Ok(crate::ledger::standing::surveyed(&facts).is_some())
    }

    /// Once through the steps, as far as they are needed.
    fn round(&mut self) -> Result<Round, Broken> {
        use crate::ledger::FactBody;
        if !self.facts(|body| matches!(body, FactBody::Forecast { .. }))? {
            let assess = AssessRequest {
                job: PathBuf::new(),
                replies: None,
                sampling: false,
            };
            let step = |job: &Job<'_>, tell: &mut dyn FnMut(Event)| {
                crate::step::assess::assess(job, &assess, tell)
            };
            if self.step("assess", step)?.is_none() {
                return self.interrupted();
            }
        }
        if !self.is_surveyed()? && !self.plan()? {
            return self.interrupted();
        }
        let copy = CopyRequest {
            job: PathBuf::new(),
            limit_bytes: self.world.limit_bytes,
            limit_minutes: None,
        };
        for _ in 0..6 {
            let step = |job: &Job<'_>, tell: &mut dyn FnMut(Event)| {
                crate::step::copy::copy(job, &copy, tell)
            };
            match self.step("copy", step)? {
                Some(answer) if answer.exit == Exit::Stopped => self.put_right(),
                Some(_) => break,
                None => {
                    // The route may be `refer`: then the owner decides first.
                    self.decide()?;
                    self.put_right();
                    let step = |job: &Job<'_>, tell: &mut dyn FnMut(Event)| {
                        crate::step::copy::copy(job, &copy, tell)
                    };
                    if self.step("copy", step)?.is_none() {
                        return self.interrupted();
                    }
                }
            }
        }
        if self.world.rots && self.crashes == 0 {
            let choice = self.draw.number();
            let disk = self.draw.pick(&self.world.disks).cloned();
            let path = disk.and_then(|disk| disk.rot("", choice));
            self.say(format!("a bit rots in {path:?}"));
        }
        let verify = VerifyRequest {
            path: PathBuf::new(),
            attest: false,
        };
        let step = |job: &Job<'_>, tell: &mut dyn FnMut(Event)| {
            crate::step::verify::verify(job, &verify, tell)
        };
        if self.step("verify", step)?.is_none() {
            return self.interrupted();
        }
        self.decide()?;
        self.ask()
    }

    fn interrupted(&mut self) -> Result<Round, Broken> {
        self.put_right();
        Ok(Round::Interrupted)
    }

    fn plan(&mut self) -> Result<bool, Broken> {
        let plan = PlanRequest {
            job: PathBuf::new(),
            list: false,
        };
        let step =
            |job: &Job<'_>, tell: &mut dyn FnMut(Event)| crate::step::plan::plan(job, &plan, tell);
        if self.step("plan", step)?.is_some() {
            return Ok(true);
        }
        // The route may be `refer`: then the owner decides first.
        self.decide()?;
        self.put_right();
        Ok(self.step("plan", step)?.is_some())
    }

    /// Asks for the release; reacts to what is open.
    fn ask(&mut self) -> Result<Round, Broken> {
        let request = ReleaseRequest {
            job: PathBuf::new(),
            key: None,
            valid_hours: None,
            second_look: Some("Kim Second".into()),
        };
        let mut released = false;
        let step = |job: &Job<'_>, tell: &mut dyn FnMut(Event)| {
            let answer = crate::step::release::release(job, &request, None, tell);
            released = answer
                .as_ref()
                .is_ok_and(|answer| answer.result.state == State::Released);
            answer
        };
        let answer = self.step("release", step)?;
        if released {
            self.check_release()?;
        }
        let Some(answer) = answer else {
            return self.interrupted();
        };
        if released {
            return Ok(Round::Released);
        }
        self.put_right();
        let changed = ["source-changed", "changed-items", "survey-unfinished"];
        if answer
            .points
            .iter()
            .any(|point| changed.contains(&point.id.as_str()))
            && !self.plan()?
        {
            return self.interrupted();
        }
        Ok(Round::Hold(answer.points))
    }

    fn with_job<T>(&self, look: impl FnOnce(&Job<'_>) -> Result<T, Broken>) -> Result<T, Broken> {
        look(&self.open_job(self.job.clone().unwrap_or_default())?)
    }

    /// The job as after a start of the program. The policy is one of ours and was parsed once already.
    fn open_job(&self, dir: PathBuf) -> Result<Job<'w>, Broken> {
        let bench = &self.world.bench;
        let ledger = bench.ledger().map_err(|e| e.to_string())?;
        let setup = ledger.get("setup").map_err(|e| e.to_string())?;
        let setup = setup.ok_or("the job's setup is gone")?;
        let setup: Setup = serde_json::from_str(&setup).map_err(|e| e.to_string())?;
        let policy = parsed(self.world.policy)?.clone();
        Ok(Job {
            bench,
            ledger,
            dir,
            setup,
            policy,
        })
    }

    fn check_release(&mut self) -> Result<(), Broken> {
        let tell = |broken| format!("{broken}; {:#?}", self.tale);
        self.with_job(|job| self.oracle(job).released(&self.given_up))
            .map_err(tell)
    }

    /// The owner and the technician decide about every point that is theirs.
    fn decide(&mut self) -> Result<(), Broken> {
        let points = self.with_job(|job| Ok(crate::step::points_now(job).unwrap_or_default()))?;
        let mut asked = BTreeSet::new();
        for point in points {
            if point.who == Who::Nobody || !asked.insert(point.id.clone()) {
                continue;
            }
            let items = self.items_of(&point.id)?;
            let request = WaiveRequest {
                job: PathBuf::new(),
                what: WaiveWhat::Point(point.id.clone()),
                reason: "the owner said so".into(),
                decided_by: DecidedBy::Owner,
                name: Some("Marta Feld".into()),
                how: Some(How::Signed),
                proof: None,
            };
            let answer = self.step(&format!("waive {}", point.id), |job, _| {
                crate::step::waive::waive(job, &request)
            })?;
            // The power may go right after the decision is on the record: then it stands all the same.
            let stands = answer.is_some()
                || self.with_job(|job| {
                    let facts = job.ledger.facts().map_err(|e| e.to_string())?;
                    Ok(facts.iter().any(|fact| matches!(&fact.body, FactBody::Waived { waiver, .. } if waiver.about == point.id)))
                })?;
            if stands {
                self.given_up.points.insert(point.id);
                self.given_up.items.extend(items);
            }
        }
        Ok(())
    }

    /// The items that a point stands for, as they are now.
    fn items_of(&self, id: &str) -> Result<BTreeSet<i64>, Broken> {
        self.with_job(|job| {
            let mut out = BTreeSet::new();
            job.ledger
                .each_item::<LedgerError>("", |item, got| {
                    let closed = item.marks.has(Mark::Unreadable);
                    let meant = match id {
                        "damaged-items" => got.state == Got::Gaps,
                        "unreadable-items" => got.state == Got::Unreadable || closed,
                        "folders-unreadable" => item.kind == Kind::Folder && closed,
                        "mounts-not-entered" => item.marks.has(Mark::OtherMount),
                        _ => false,
                    };
                    if meant {
                        out.insert(item.id);
                    }
                    Ok(())
                })
                .map_err(|e| e.to_string())?;
            Ok(out)
        })
    }

    /// A release holds while nothing happens, and not after the source moved.
    fn after_release(&mut self) -> Result<(), Broken> {
        let calm = self.world.troubles.is_empty() && self.world.swap_after.is_none();
        let answer = self.step("recheck", |job, _| crate::step::recheck::recheck(job, None))?;
        if calm && self.crashes == 0 && answer.is_none_or(|answer| answer.exit != Exit::Done) {
            return Err(format!("a fresh release does not hold; {:#?}", self.tale));
        }
        let truth = self.world.bench.drive.truth();
        let Some(file) = truth.iter().find(|truth| truth.node.kind == Kind::File) else {
            return Ok(());
        };
        let node = file.node.stamp.inode as usize - 2;
        self.world.bench.drive.change(node, |node| {
            node.stamp.modified_ns += 77;
        });
        let answer = self.step("recheck", |job, _| crate::step::recheck::recheck(job, None))?;
        if answer.is_some_and(|answer| answer.exit == Exit::Done) {
            return Err("the release still holds although the source changed".into());
        }
        Ok(())
    }
}

/// What going through the steps came to.
enum Round {
    Released,
    Hold(Vec<OpenPoint>),
    Interrupted,
}

/// An answer in words: its exit and the points that are open.
fn words<T>(answer: &Result<Outcome<T>, Problem>) -> String {
    match answer {
        Err(problem) => problem.to_string(),
        Ok(answer) => {
            let points: Vec<String> = answer
                .open_points
                .iter()
                .map(|point| format!("{} ({}: {})", point.id, point.count, point.evidence))
                .collect();
            format!("exit {}, open: {}", answer.exit.code(), points.join("; "))
        }
    }
}
