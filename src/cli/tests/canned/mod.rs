//! An engine of canned values: it does nothing and remembers what it was asked.

mod values;

pub use values::*;

use crate::cli::engine::{Answer, Engine};
use crate::step::event::{Event, Step, Tell};
use crate::step::outcome::*;
use crate::step::request::*;
use crate::value::Blake3;
use std::cell::{Cell, RefCell};
use std::path::Path;

pub struct Canned {
    /// How every step ends.
    pub exit: Cell<Exit>,
    /// Every step refuses with this.
    pub problem: RefCell<Option<Problem>>,
    /// Whether the gate releases.
    pub releases: Cell<bool>,
    /// Whether the gate wants a second look first.
    pub wants_look: Cell<bool>,
    /// What `open` was asked.
    pub opened: RefCell<Option<OpenRequest>>,
    /// Must-haves that were answered.
    pub answers: RefCell<Vec<AnswerRequest>>,
    /// The steps in the order in which they came.
    pub steps: RefCell<Vec<&'static str>>,
}

impl Default for Canned {
    fn default() -> Self {
        Self {
            exit: Cell::new(Exit::Done),
            problem: RefCell::new(None),
            releases: Cell::new(true),
            wants_look: Cell::new(false),
            opened: RefCell::new(None),
            answers: RefCell::new(Vec::new()),
            steps: RefCell::new(Vec::new()),
        }
    }
}

impl Canned {
    fn give<T>(&self, step: &'static str, result: T) -> Answer<T> {
        self.steps.borrow_mut().push(step);
        if let Some(problem) = self.problem.borrow().clone() {
            return Err(problem);
        }
        Ok(Outcome {
            job: Some(job()),
            result,
            open_points: points(),
            exit: self.exit.get(),
            next: Some(format!("holdpoint release {}", job().display())),
            short: None,
            warnings: Vec::new(),
        })
    }
}

impl Engine for Canned {
    fn open(&self, request: &OpenRequest, _: Tell) -> Answer<Opened> {
        *self.opened.borrow_mut() = Some(request.clone());
        self.give("open", opened())
    }
    fn assess(&self, _: &AssessRequest, _: Tell) -> Answer<Assessed> {
        self.give("assess", assessed())
    }
    fn plan(&self, request: &PlanRequest, _: Tell) -> Answer<Planned> {
        self.give("plan", planned(request.list))
    }
    fn copy(&self, _: &CopyRequest, tell: Tell) -> Answer<Copied> {
        tell(Event::Started { step: Step::Copy });
        tell(Event::Warn {
            says: format!("slow: {HOSTILE}"),
        });
        tell(Event::Finished);
        self.give(
            "copy",
            Copied {
                copied: Amount::new(1307, 19_999_000_000),
                read_back: Amount::default(),
                damaged: 3,
                unreadable: 1,
                remaining: 0,
            },
        )
    }
    fn verify(&self, _: &VerifyRequest, _: Tell) -> Answer<Verified> {
        self.give("verify", verified(self.exit.get() == Exit::Done))
    }
    fn inspect(&self, _: &InspectRequest, _: Tell) -> Answer<Inspected> {
        self.give(
            "inspect",
            Inspected {
                looked: Looked { items: 1307 },
                doubtful: vec![Doubtful {
                    path: HOSTILE.into(),
                    raw: None,
                    why: "blank from byte 0".into(),
                }],
                sample: vec![Drawn {
                    path: "Pictures/a.jpg".into(),
                    raw: None,
                    copy: "/mnt/shelf-a/job-17/bag/data/disk1-2/Pictures/a.jpg".into(),
                }],
            },
        )
    }
    fn waive(&self, _: &WaiveRequest) -> Answer<Waived> {
        self.give(
            "waive",
            Waived {
                waived: WaivedSet {
                    items: 3,
                    bytes: 9,
                    set_hash: Blake3([1; 32]),
                },
                kept: false,
            },
        )
    }
    fn answer(&self, request: &AnswerRequest) -> Answer<Answered> {
        self.answers.borrow_mut().push(request.clone());
        self.give(
            "answer",
            Answered {
                answered: published(request),
            },
        )
    }
    fn release(&self, request: &ReleaseRequest, _: Tell) -> Answer<Released> {
        if self.wants_look.get() && request.second_look.as_deref() != Some("0042") {
            let mut answer = self.give("release", released(false))?;
            let mut look = points().remove(0);
            look.id = "second-look".into();
            answer.open_points = vec![look];
            return Ok(answer.ending(Exit::Hold));
        }
        self.give("release", released(self.releases.get()))
    }
    fn recheck(&self, _: &RecheckRequest, _: Tell) -> Answer<Rechecked> {
        let holds = self.releases.get();
        self.give(
            "recheck",
            Rechecked {
                holds,
                changed: if holds {
                    vec![]
                } else {
                    vec![Change {
                        drive: "SAMPLE-0042".into(),
                        what: "power cycles".into(),
                        before: Some("411".into()),
                        now: None,
                    }]
                },
                until: Some(moment()),
                practice: false,
            },
        )
    }
    fn guard(&self, request: &GuardRequest, _: Tell) -> Answer<Guarded> {
        let lets = self.releases.get();
        let ran = lets && !request.dry_run;
        self.give(
            "guard",
            Guarded {
                ran,
                exit: ran.then_some(0),
                refused: (!lets).then(|| "the release does not hold".into()),
            },
        )
    }
    fn print(&self, _: &PrintRequest) -> Answer<Printed> {
        self.give(
            "print",
            Printed {
                html: "/mnt/shelf-a/job-17/papers/receipt.html".into(),
                text: "/mnt/shelf-a/job-17/papers/receipt.txt".into(),
            },
        )
    }
    fn put_back(&self, _: &PutBackRequest, _: Tell) -> Answer<PutBack> {
        self.give(
            "put-back",
            PutBack {
                returned: Amount::new(1300, 19_000_000_000),
                already_there: 5,
                set_beside: 2,
                refused: vec![Refused {
                    path: HOSTILE.into(),
                    raw: None,
                    why: "the fresh system cannot hold this name".into(),
                }],
            },
        )
    }
    fn close(&self, request: &CloseRequest, _: Tell) -> Answer<Closed> {
        let now = matches!(request.when, CloseWhen::Now { .. });
        self.give(
            "close",
            Closed {
                closed: now,
                deleted: if now {
                    Amount::new(1307, 19_999_000_000)
                } else {
                    Amount::default()
                },
                keep_until: (!now).then(moment),
            },
        )
    }
    fn show(&self, _: &Path) -> Answer<Shown> {
        let releases = self.releases.get();
        self.give(
            "show",
            Shown {
                state: if releases {
                    State::Released
                } else {
                    State::Hold
                },
                items: ItemCounts {
                    verified: 1307,
                    damaged: 3,
                    left_out: 1,
                    ..ItemCounts::default()
                },
                next: "holdpoint release /mnt/shelf-a/job-17".into(),
                note: None,
                closed: None,
                practice: false,
                until: releases.then(moment),
                owner: Some(HOSTILE.into()),
                on_hold: vec!["INVENTED model, serial SAMPLE-0042, 500 GB".into()],
            },
        )
    }
    fn show_all(&self) -> Answer<ShownAll> {
        let mut answer = self.give(
            "show",
            ShownAll {
                jobs: vec![
                    JobLine {
                        job: "/mnt/shelf-a/job-17".into(),
                        raw: None,
                        state: State::Hold,
                        owner: Some(HOSTILE.into()),
                        opened: Some(moment()),
                        next: "holdpoint copy /mnt/shelf-a/job-17".into(),
                        note: None,
                        closed: None,
                        practice: false,
                    },
                    JobLine {
                        job: "/mnt/shelf-a/job-16".into(),
                        raw: None,
                        state: State::Released,
                        owner: None,
                        opened: None,
                        next: String::new(),
                        note: None,
                        closed: None,
                        practice: false,
                    },
                ],
                closed: false,
            },
        );
        if let Ok(outcome) = &mut answer {
            outcome.job = None;
            outcome.open_points.clear();
        }
        answer
    }
    fn demo(&self, _: &DemoRequest, _: Tell) -> Answer<Demonstrated> {
        self.give(
            "demo",
            Demonstrated {
                steps: vec![DemoStep {
                    command: "holdpoint open --drive virtual".into(),
                    says: "ON HOLD\nJob: virtual".into(),
                }],
                kept: None,
            },
        )
    }
    fn policies(&self) -> Answer<PoliciesListed> {
        self.give(
            "policy",
            PoliciesListed {
                policies: vec![policy_line()],
            },
        )
    }
    fn policy(&self, _: &PolicyRequest) -> Answer<PolicyExplained> {
        self.give(
            "policy",
            PolicyExplained {
                policy: policy_line(),
                demands: vec![String::new(), "copies".into(), "  irreplaceable: 2".into()],
            },
        )
    }
}

fn policy_line() -> PolicyLine {
    PolicyLine {
        name: "home".into(),
        says: "For people's own things.".into(),
        blake3: Blake3([3; 32]),
    }
}

/// The published answer from the request.
fn published(request: &AnswerRequest) -> crate::step::outcome::Answer {
    let (found, not_here) = match &request.answer {
        MustHaveAnswer::Found(paths) => (
            paths
                .iter()
                .map(|path| path.to_string_lossy().into_owned())
                .collect(),
            None,
        ),
        MustHaveAnswer::NotHere { reason } => (vec![], Some(reason.clone())),
    };
    crate::step::outcome::Answer {
        number: request.number,
        asked: "the wedding, 2019".into(),
        found,
        not_here,
    }
}
