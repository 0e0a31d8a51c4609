//! The desk of one command: the engine, the two outputs, whoever can be asked.
//!
//! Invariants: under `--json` exactly one document reaches standard output; a result that
//! could not be delivered (broken pipe, full disk) never ends in exit code 0.

use super::ask::Asker;
use super::engine::{Answer, Engine};
use super::envelope;
use super::look::Look;
use super::page::Page;
use super::phrase::capital;
use super::progress::{Manner, Progress};
use super::text;
use crate::step::event::{Event, Tell};
use crate::step::outcome::{Exit, Outcome, Problem};
use serde::Serialize;
use std::io::Write;
use std::path::{Path, PathBuf};

/// A path that means the same in every folder; one that is not there is only completed.
fn whole(path: &Path) -> PathBuf {
    path.canonicalize()
        .or_else(|_| std::path::absolute(path))
        .unwrap_or_else(|_| path.to_owned())
}

/// Everything a command needs around it.
pub struct Desk<'a> {
    /// Does the work.
    pub engine: &'a dyn Engine,
    /// How standard output looks.
    pub look: Look,
    /// How standard error looks.
    pub err_look: Look,
    /// One JSON document instead of text.
    pub json: bool,
    /// Where progress goes.
    pub manner: Manner,
    /// Whoever sits at the terminal; `None` = nobody can be asked.
    pub asker: Option<&'a mut dyn Asker>,
    /// Standard output: results.
    pub out: &'a mut dyn Write,
    /// Standard error: talk.
    pub err: &'a mut dyn Write,
}

impl Desk<'_> {
    /// Runs one step of the engine, with its progress.
    pub fn step<T>(&mut self, work: impl FnOnce(&dyn Engine, Tell) -> Answer<T>) -> Answer<T> {
        let mut progress = Progress::new(self.manner, &self.err_look, self.err);
        let answer = work(self.engine, &mut |event: Event| progress.see(&event));
        progress.end();
        answer
    }

    /// Prints a step's result (or its refusal) and says how the process ends.
    pub fn deliver<T: Serialize>(
        &mut self,
        command: &str,
        job: Option<&Path>,
        answer: Answer<T>,
        text: impl FnOnce(&mut Page, &Outcome<T>),
    ) -> Exit {
        let outcome = match answer {
            Ok(outcome) => outcome,
            Err(problem) => return self.refuse(command, job, &problem),
        };
        let told = matches!(self.manner, Manner::Drawn | Manner::Plain);
        for says in outcome.warnings.iter().filter(|_| told) {
            let mut page = Page::new(&self.err_look);
            page.say(&capital(says));
            let _ = self.err.write_all(page.finish().as_bytes());
        }
        if !self.json {
            let mut page = Page::new(&self.look);
            text(&mut page, &outcome);
            return self.write_out(&page.finish(), outcome.exit);
        }
        match envelope::document(command, &outcome) {
            Ok(document) => self.write_out(&document, outcome.exit),
            Err(error) => {
                let problem = Problem::failed(
                    format!("writing the result as JSON: {error}"),
                    "",
                    "the step itself was done; show the job without --json",
                );
                self.refuse(command, job, &problem)
            }
        }
    }

    /// Prints the page of a step inside `run` that is not its last; nothing under `--json`.
    /// `Err` = standard output is gone.
    pub fn show_stage<T>(
        &mut self,
        name: &str,
        outcome: &Outcome<T>,
        text: impl FnOnce(&mut Page, &Outcome<T>),
    ) -> Result<(), Exit> {
        if self.json {
            return Ok(());
        }
        let mut look = self.look.clone();
        look.guided = true;
        let mut page = Page::new(&look);
        page.head(name);
        text(&mut page, outcome);
        page.gap();
        match self.write_out(&page.finish(), Exit::Done) {
            Exit::Done => Ok(()),
            other => Err(other),
        }
    }

    /// Says why a command did not do its work.
    pub fn refuse(&mut self, command: &str, job: Option<&Path>, problem: &Problem) -> Exit {
        let job = job.map(whole);
        let problem = match &job {
            Some(job) => problem.clone().for_job(job),
            None => problem.clone(),
        };
        if self.json {
            // What holds a job is told in full; where even that cannot be told, the refusal stands alone.
            let held = job.as_deref().filter(|_| problem.exit() == Exit::Hold);
            let shown = held.and_then(|job| self.engine.show(job).ok());
            let points = shown.as_ref().map(|shown| shown.open_points.as_slice());
            let document = envelope::refusal(command, job.as_deref(), &problem, points);
            if let Ok(document) = document {
                return self.write_out(&document, problem.exit());
            }
        }
        self.remark(&problem);
        problem.exit()
    }

    /// Says a problem on standard error and goes on.
    pub fn remark(&mut self, problem: &Problem) {
        let mut page = Page::new(&self.err_look);
        text::problem(&mut page, problem);
        // Nobody is left to tell when standard error is gone, too; the exit code still says it.
        let _ = self.err.write_all(page.finish().as_bytes());
        let _ = self.err.flush();
    }

    /// Writes to standard output. `exit` becomes `Failed` when a success could not be delivered;
    /// a worse exit keeps its own code.
    pub fn write_out(&mut self, text: &str, exit: Exit) -> Exit {
        let written = self
            .out
            .write_all(text.as_bytes())
            .and_then(|()| self.out.flush());
        match (written, exit) {
            (Err(error), Exit::Done) => {
                let problem = Problem::failed(
                    format!("writing the result to standard output: {error}"),
                    "",
                    "what the command does was done; give its text to a reader that takes all of it, or to a file",
                );
                self.remark(&problem);
                Exit::Failed
            }
            (_, exit) => exit,
        }
    }
}
