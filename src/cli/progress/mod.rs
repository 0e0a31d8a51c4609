//! Progress: what the engine has committed, while it works. Standard error only.
//!
//! On a terminal: a sentence per class, redrawn at most ten times a second, from a quarter of a second on.
//! Elsewhere: a plain line at most every ten seconds, and what must be known at once.
//!
//! Invariant: nothing here goes to standard output, and nothing is drawn under `--quiet`.

mod tale;

pub use tale::Tale;

use super::look::Look;
use super::page::Page;
use crate::step::event::Event;
use crate::value::shown;
use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::Write;
use std::time::{Duration, Instant};

/// Nothing is drawn for work shorter than this.
const PATIENCE: Duration = Duration::from_millis(250);
/// Redrawings a second.
const HERTZ: u8 = 10;
/// Time between two plain lines.
const SPARSE: Duration = Duration::from_secs(10);
/// Faults told one by one before they are only counted.
const FAULTS_TOLD: u64 = 5;

/// Where progress goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Manner {
    /// Redrawn on a terminal.
    Drawn,
    /// Plain lines, seldom.
    Plain,
    /// Nowhere.
    Silent,
}

/// A consumer of the engine's events.
pub struct Progress<'a> {
    manner: Manner,
    look: Look,
    tale: Tale,
    begun: Instant,
    last: Option<Duration>,
    drawn: Option<Drawn>,
    err: &'a mut dyn Write,
}

/// The lines on the terminal.
struct Drawn {
    all: MultiProgress,
    lines: Vec<ProgressBar>,
}

impl<'a> Progress<'a> {
    /// Progress of one step; plain lines go to `err`.
    pub fn new(manner: Manner, look: &Look, err: &'a mut dyn Write) -> Self {
        Self {
            manner,
            look: look.clone(),
            tale: Tale::default(),
            begun: Instant::now(),
            last: None,
            drawn: None,
            err,
        }
    }

    /// Takes one event.
    pub fn see(&mut self, event: &Event) {
        let at = self.begun.elapsed();
        self.see_at(event, at);
    }

    fn see_at(&mut self, event: &Event, at: Duration) {
        let aside = self.tale.see(event, at);
        match self.manner {
            Manner::Silent => {}
            Manner::Drawn => {
                if let Some(line) = aside {
                    self.aside(&line);
                }
                let due = self.last.is_none_or(|last| {
                    at.saturating_sub(last) >= Duration::from_millis(1000 / u64::from(HERTZ))
                });
                if at >= PATIENCE && due {
                    self.last = Some(at);
                    self.draw();
                }
            }
            Manner::Plain => {
                if let Some(line) = aside {
                    self.line(&line);
                }
                // The first sparse line comes after its time, too: short work needs none.
                let since = at.saturating_sub(self.last.unwrap_or_default());
                if since >= SPARSE {
                    self.last = Some(at);
                    for line in self.tale.lines() {
                        self.line(&line);
                    }
                }
            }
        }
    }

    /// Takes the lines away; results follow on standard output.
    pub fn end(mut self) {
        if let Some(drawn) = self.drawn.take() {
            for line in &drawn.lines {
                line.finish_and_clear();
            }
            let _ = drawn.all.clear();
        }
    }

    /// A sentence that stays, wrapped. A standard error that is gone must not end the work.
    fn line(&mut self, line: &str) {
        let _ = self.err.write_all(self.wrapped(line).as_bytes());
    }

    fn aside(&mut self, line: &str) {
        match &self.drawn {
            Some(drawn) => {
                let _ = drawn.all.println(self.wrapped(line).trim_end());
            }
            None => self.line(line),
        }
    }

    fn wrapped(&self, line: &str) -> String {
        let mut page = Page::new(&self.look);
        page.say(line);
        page.finish()
    }

    fn draw(&mut self) {
        let drawn = self.drawn.get_or_insert_with(|| Drawn {
            all: MultiProgress::with_draw_target(ProgressDrawTarget::stderr_with_hz(HERTZ)),
            lines: Vec::new(),
        });
        let lines = self.tale.lines();
        while drawn.lines.len() < lines.len() {
            let line = drawn.all.add(ProgressBar::new_spinner());
            // Wide: cut at the terminal's edge instead of wrapping, which would break redrawing.
            if let Ok(style) = ProgressStyle::with_template("{wide_msg}") {
                line.set_style(style);
            }
            drawn.lines.push(line);
        }
        for (bar, line) in drawn.lines.iter().zip(
            lines
                .iter()
                .map(String::as_str)
                .chain(std::iter::repeat("")),
        ) {
            bar.set_message(shown(line).into_owned());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::step::event::Step;
    use crate::survey::item::Class;

    fn class(done: u64) -> Event {
        Event::Class {
            class: Class::Irreplaceable,
            items_done: done,
            items_all: 1310,
            bytes_done: done * 1_000_000,
            bytes_all: 1_310_000_000,
            gaps: 0,
        }
    }

    fn told(manner: Manner, events: &[(u64, Event)]) -> String {
        let mut err = Vec::new();
        let mut progress =
            Progress::new(manner, &Look::of(false, None, None, None, false), &mut err);
        for (seconds, event) in events {
            progress.see_at(event, Duration::from_secs(*seconds));
        }
        progress.end();
        String::from_utf8(err).unwrap()
    }

    #[test]
    fn plain_lines_are_sparse() {
        let events: Vec<(u64, Event)> = (0..60).map(|s| (s, class(s * 10))).collect();
        let text = told(Manner::Plain, &events);
        let sentences = text
            .lines()
            .filter(|line| line.starts_with("Irreplaceable"))
            .count();
        assert_eq!(sentences, 5, "{text}");
    }

    #[test]
    fn quiet_says_nothing_and_short_work_neither() {
        assert_eq!(told(Manner::Silent, &[(0, class(1)), (60, class(2))]), "");
        assert_eq!(
            told(
                Manner::Plain,
                &[
                    (0, Event::Started { step: Step::Copy }),
                    (1, class(1)),
                    (2, Event::Finished)
                ]
            ),
            ""
        );
    }

    #[test]
    fn what_stays_is_wrapped() {
        let says = "a word and another ".repeat(12);
        let text = told(Manner::Plain, &[(0, Event::Warn { says })]);
        assert!(text.lines().count() > 2, "{text}");
        assert!(text.lines().all(|line| line.len() <= 80), "{text}");
        assert!(text.starts_with("A word"), "{text}");
    }

    #[test]
    fn warnings_come_at_once_and_faults_do_not_flood() {
        let mut events = vec![(
            0,
            Event::Warn {
                says: "evil \u{1b}[2J name".into(),
            },
        )];
        for n in 0..100 {
            events.push((
                0,
                Event::Fault {
                    on: format!("file {n}"),
                    says: "sector refused".into(),
                },
            ));
        }
        let text = told(Manner::Plain, &events);
        assert!(!text.contains('\u{1b}'), "{text}");
        assert_eq!(text.lines().count(), 1 + FAULTS_TOLD as usize + 1, "{text}");
    }
}
