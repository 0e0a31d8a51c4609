//! Questions: only what the program cannot know, only on a terminal, one at a time.
//!
//! Invariant: without a terminal nothing is asked; then a missing answer is a usage error
//! that names the option. Nothing is ever answered for the owner.

use super::args::OpenArgs;
use crate::ledger::Ledger;
use crate::step::outcome::{MemoryState, Problem, ProblemKind, Symptom};
use crate::step::request::{MustHaveAnswer, MustHaves, OpenRequest, Source};
use crate::value::shown;
use std::io::{BufRead, Write};
use std::sync::mpsc::RecvTimeoutError;
use std::time::Duration;

/// Somebody who can be asked.
pub trait Asker {
    /// One line of text; may be empty when `may_be_empty`.
    fn line(&mut self, question: &str, may_be_empty: bool) -> Result<String, Problem>;
    /// One of `choices`, by its place: each has a word and what it means.
    fn choose(&mut self, question: &str, choices: &[(&str, &str)]) -> Result<usize, Problem>;
}

/// Asks on the terminal; questions go to standard error.
///
/// Invariant: whoever asks to stop at a question (Ctrl-C), or has no more to say (Ctrl-D), has not answered.
pub struct Terminal<'a> {
    stop: &'a dyn Fn() -> bool,
}

impl<'a> Terminal<'a> {
    /// A terminal; `stop` tells whether somebody asked to stop.
    pub fn new(stop: &'a dyn Fn() -> bool) -> Self {
        Self { stop }
    }

    fn ask(&self, question: &str) -> Result<String, Problem> {
        tell(question);
        answer(typed_line, self.stop).inspect_err(|_| tell("\n"))
    }
}

/// Nobody is left to be asked when standard error is gone; then the answer is missing too.
fn tell(text: &str) {
    let mut err = std::io::stderr();
    let _ = err.write_all(text.as_bytes()).and_then(|()| err.flush());
}

/// A question with its end: a question mark or bracket is one, anything else gets a colon.
fn prompt(question: &str) -> String {
    let question = shown(question);
    match question.chars().last() {
        Some('?' | ')') => format!("{question} "),
        _ => format!("{question}: "),
    }
}

/// One line from standard input; `None` = it ended.
fn typed_line() -> std::io::Result<Option<String>> {
    let mut line = Vec::new();
    let read = std::io::stdin().lock().read_until(b'\n', &mut line)?;
    let text = String::from_utf8(line)
        .map_err(|e| std::io::Error::new(std::io::ErrorKind::InvalidData, e))?;
    Ok((read > 0).then(|| text.trim().to_owned()))
}

/// Waits for an answer, or for somebody to ask to stop: a read of the terminal cannot be called off, so it is left
/// behind on a thread of its own.
fn answer(
    input: impl FnOnce() -> std::io::Result<Option<String>> + Send + 'static,
    stop: &dyn Fn() -> bool,
) -> Result<String, Problem> {
    let (give, take) = std::sync::mpsc::channel();
    std::thread::spawn(move || drop(give.send(input())));
    // What comes next is for the command to say: it knows what was done until here.
    let stopped = |why: &str| {
        Err(Problem::stopped(
            format!("stopped at a question: {why}"),
            "",
            "",
        ))
    };
    loop {
        match take.recv_timeout(Duration::from_millis(50)) {
            Ok(Ok(Some(text))) => return Ok(text),
            Ok(Ok(None)) => return stopped("no answer was typed"),
            Ok(Err(error)) => {
                return Err(Problem::usage(
                    format!("asked on the terminal, got no answer: {error}"),
                    "",
                    "give the answer as an option (see --help)",
                ));
            }
            Err(RecvTimeoutError::Timeout) if !stop() => {}
            Err(_) => return stopped("it was interrupted"),
        }
    }
}

/// What goes on after a question of the intake.
pub const NOT_BEGUN: &str = "give the same command again: nothing was put on hold yet";

/// A question that somebody stopped at, with the command that goes on.
pub fn going_on(mut problem: Problem, next: &str) -> Problem {
    if problem.kind == ProblemKind::Stopped && problem.next.is_empty() {
        problem.next = next.to_owned();
    }
    problem
}

impl Asker for Terminal<'_> {
    fn line(&mut self, question: &str, may_be_empty: bool) -> Result<String, Problem> {
        loop {
            let text = self.ask(&prompt(question))?;
            if may_be_empty || !text.is_empty() {
                return Ok(text);
            }
        }
    }

    fn choose(&mut self, question: &str, choices: &[(&str, &str)]) -> Result<usize, Problem> {
        // Numbered, and nothing is preset: whoever only presses Enter has not answered.
        let lines = choices.iter().zip(1..);
        let lines: String = lines
            .map(|((word, says), number)| format!("  {number}  {word}: {}\n", shown(says)))
            .collect();
        tell(&format!("{}\n{lines}", shown(question)));
        loop {
            let text = self.ask("Number or word: ")?;
            match chosen(&text, choices) {
                Some(place) => return Ok(place),
                None => tell(&format!(
                    "Type a number from 1 to {}, or one of the words.\n",
                    choices.len()
                )),
            }
        }
    }
}

/// The choice that a number or a word names.
fn chosen(text: &str, choices: &[(&str, &str)]) -> Option<usize> {
    let by_word = choices.iter().position(|(word, _)| *word == text);
    let number = || text.parse::<usize>().ok()?.checked_sub(1);
    by_word.or_else(|| number().filter(|place| *place < choices.len()))
}

/// Turns the options of `open` into a request, asking for what is missing. With nobody to ask it is left unanswered,
/// and the gate keeps it open: nobody answers for the owner.
pub fn complete(
    args: &OpenArgs,
    asker: Option<&mut (dyn Asker + '_)>,
) -> Result<OpenRequest, Problem> {
    // A job that is there has its source and its destinations, and is asked for nothing: what is named is added to it.
    let is_there = (args.job.as_ref()).is_some_and(|job| Ledger::is_in(job));
    let mut asker = asker.filter(|_| !is_there);
    let source = match (&args.folder, args.drive.as_slice()) {
        (Some(folder), _) => Source::Folder(folder.clone()),
        (None, []) if is_there => Source::OfTheJob,
        (None, []) => {
            return Err(Problem::usage(
                "nothing was named to put on hold",
                "",
                "name it with --drive PATH (a device or image) or --folder DIR",
            ));
        }
        (None, drives) => Source::Drives(drives.to_vec()),
    };
    if args.to.is_empty() && !is_there {
        return Err(Problem::usage(
            "no folder was named that copies go to",
            "",
            "name it with --to DIR, once per disk that copies go to",
        ));
    }
    // An empty name is nobody's: the question stays open.
    let named = |name: &Option<String>| name.clone().filter(|name| !name.trim().is_empty());
    let owner = answered(named(&args.owner), &mut asker, |asker| {
        asker.line("Whose data is it?", false)
    })?;
    let technician = answered(named(&args.technician), &mut asker, |asker| {
        asker.line("Who works on it?", false)
    })?;
    let symptom = answered(args.symptom, &mut asker, |asker| {
        choose(
            asker,
            Symptom::word,
            "What does the owner tell of the drive?",
            &[
                (
                    Symptom::None,
                    "nothing: it works, or only the system is broken",
                ),
                (Symptom::Clicking, "it clicks or grinds"),
                (Symptom::Dropped, "it fell"),
                (Symptom::Liquid, "something was spilled over it"),
                (Symptom::Vanishes, "it disappears and comes back"),
            ],
        )
    })?;
    let memory = answered(args.memory, &mut asker, |asker| {
        choose(
            asker,
            MemoryState::word,
            "The memory of the machine that copies?",
            &[
                (
                    MemoryState::KnownGood,
                    "known to be good: another machine, never suspected",
                ),
                (
                    MemoryState::Swapped,
                    "modules were exchanged because of the fault",
                ),
                (MemoryState::Suspect, "it may be the cause"),
                (MemoryState::Failed, "a test failed"),
            ],
        )
    })?;
    let given = must_haves(&args.must_have)?;
    let must_have = answered(given, &mut asker, |asker| {
        let mut named = Vec::new();
        loop {
            let question = if named.is_empty() {
                "What would the owner miss most? (one thing, their words; empty = nothing)"
            } else {
                "And what else? (empty = that is all)"
            };
            let line = asker.line(question, true)?;
            if line.is_empty() {
                break;
            }
            named.push(line);
        }
        Ok(if named.is_empty() {
            MustHaves::Nothing
        } else {
            MustHaves::Named(named)
        })
    })?;
    Ok(OpenRequest {
        source,
        to: args.to.clone(),
        job: args.job.clone(),
        policy: args.policy.clone(),
        owner,
        technician,
        symptom,
        memory,
        machine: args.machine,
        must_have,
        replies: args.replies.clone(),
    })
}

/// The second look: a second person's name, or the serial's last four characters typed again.
pub fn second_look(asker: &mut dyn Asker) -> Result<String, Problem> {
    asker.line(
        "Second look. Read the serial on the drive itself and type its last four characters, or let a second person look and type their name",
        false,
    )
}

/// Where a must-have is; `None` = left open for now.
pub fn must_have(asker: &mut dyn Asker, asked: &str) -> Result<Option<MustHaveAnswer>, Problem> {
    let question = format!("The owner named \"{asked}\". Was it found?");
    let choices = [
        ("found", "yes, I type where"),
        ("not-here", "it is not on these drives"),
        ("open", "leave it open"),
    ];
    match asker.choose(&question, &choices)? {
        0 => {
            let path = asker.line("Path, relative to its volume or folder", false)?;
            Ok(Some(MustHaveAnswer::Found(vec![path.into()])))
        }
        1 => {
            let reason = asker.line("How do you know?", false)?;
            Ok(Some(MustHaveAnswer::NotHere { reason }))
        }
        _ => Ok(None),
    }
}

fn answered<T>(
    given: Option<T>,
    asker: &mut Option<&mut (dyn Asker + '_)>,
    ask: impl FnOnce(&mut dyn Asker) -> Result<T, Problem>,
) -> Result<Option<T>, Problem> {
    match asker {
        Some(asker) if given.is_none() => ask(*asker).map(Some),
        _ => Ok(given),
    }
}

fn choose<T: Copy>(
    asker: &mut dyn Asker,
    word: impl Fn(T) -> &'static str,
    question: &str,
    choices: &[(T, &str)],
) -> Result<T, Problem> {
    let worded = choices.iter().map(|(value, says)| (word(*value), *says));
    let place = asker.choose(question, &worded.collect::<Vec<_>>())?;
    choices
        .get(place)
        .map(|(value, _)| *value)
        .ok_or_else(|| Problem::usage("no such choice", question, "choose one of the lines shown"))
}

fn must_haves(given: &[String]) -> Result<Option<MustHaves>, Problem> {
    let is_none = |text: &String| text == "none";
    match given {
        [] => Ok(None),
        [one] if is_none(one) => Ok(Some(MustHaves::Nothing)),
        many if many.iter().any(is_none) => Err(Problem::usage(
            "--must-have none stands beside things that were named",
            "--must-have",
            "give either the things, or none alone",
        )),
        many if many.iter().any(|text| text.trim().is_empty()) => Err(Problem::usage(
            "--must-have holds no text",
            "--must-have",
            "say what the owner would miss, or --must-have none",
        )),
        many => Ok(Some(MustHaves::Named(many.to_vec()))),
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::cli::args::{Command, parse};
    use std::collections::VecDeque;
    use std::ffi::OsString;

    /// Answers from a list, and remembers the questions.
    #[derive(Default)]
    pub(crate) struct Scripted {
        pub lines: VecDeque<&'static str>,
        pub places: VecDeque<usize>,
        pub asked: Vec<String>,
    }

    impl Asker for Scripted {
        fn line(&mut self, question: &str, _: bool) -> Result<String, Problem> {
            self.asked.push(question.to_owned());
            Ok(self.lines.pop_front().unwrap().to_owned())
        }
        fn choose(&mut self, question: &str, _: &[(&str, &str)]) -> Result<usize, Problem> {
            self.asked.push(question.to_owned());
            Ok(self.places.pop_front().unwrap())
        }
    }

    #[test]
    fn stopping_at_a_question_is_no_answer() {
        let never = || {
            std::thread::sleep(Duration::from_secs(60));
            Ok(None)
        };
        let typed = |text: &'static str| move || Ok(Some(text.to_owned()));
        let exit = |got: Result<String, Problem>| got.unwrap_err().exit().code();
        assert_eq!(exit(answer(never, &|| true)), 4);
        assert_eq!(exit(answer(|| Ok(None), &|| false)), 4);
        assert_eq!(answer(typed("Holm"), &|| true).unwrap(), "Holm");
        let stopped = answer(|| Ok(None), &|| false).unwrap_err();
        let next = "holdpoint run --job JOB";
        assert_eq!(going_on(stopped, next).next, next);
        let other = going_on(Problem::failed("a", "", "b"), next);
        assert_eq!(other.next, "b");
    }

    #[test]
    fn a_choice_is_named_by_number_or_word() {
        let choices = [("none", "nothing"), ("clicking", "it clicks")];
        for (text, place) in [("1", Some(0)), ("2", Some(1)), ("none", Some(0))] {
            assert_eq!(chosen(text, &choices), place, "{text}");
        }
        for text in ["", "0", "3", "no", "-1"] {
            assert_eq!(chosen(text, &choices), None, "{text}");
        }
    }

    fn open_args(line: &[&str]) -> OpenArgs {
        let words = ["holdpoint", "open"].iter().chain(line).map(OsString::from);
        match parse(words, 80).unwrap().command {
            Command::Open(args) => args,
            _ => unreachable!(),
        }
    }

    #[test]
    fn source_and_destination_are_asked_of_nobody_and_named() {
        let problem = complete(&open_args(&["--to", "/b"]), None).unwrap_err();
        assert_eq!(problem.exit().code(), 2);
        assert!(problem.next.contains("--drive"), "{problem}");
        let problem = complete(&open_args(&["--drive", "/b"]), None).unwrap_err();
        assert!(problem.next.contains("--to"), "{problem}");
    }

    #[test]
    fn only_what_is_missing_is_asked_one_by_one() {
        let mut asker = Scripted {
            lines: ["K. Brandt", "the wedding, 2019", "tax papers", ""].into(),
            places: [1].into(),
            ..Scripted::default()
        };
        let args = open_args(&[
            "--folder",
            "/a",
            "--to",
            "/b",
            "--owner",
            "x",
            "--symptom",
            "none",
        ]);
        let request = complete(&args, Some(&mut asker)).unwrap();
        assert_eq!(request.memory, Some(MemoryState::Swapped));
        assert_eq!(
            request.must_have,
            Some(MustHaves::Named(vec![
                "the wedding, 2019".into(),
                "tax papers".into()
            ]))
        );
        assert_eq!(asker.asked.len(), 5, "{:?}", asker.asked);
    }

    #[test]
    fn yes_never_answers_for_the_owner() {
        let args = open_args(&["--folder", "/a", "--to", "/b"]);
        let request = complete(&args, None).unwrap();
        assert_eq!(request.must_have, None);
        assert_eq!(request.symptom, None);
        assert_eq!(request.owner, None);
    }

    #[test]
    fn none_stands_alone() {
        let args = open_args(&[
            "--folder",
            "/a",
            "--to",
            "/b",
            "--must-have",
            "none",
            "--must-have",
            "x",
        ]);
        assert_eq!(complete(&args, None).unwrap_err().exit().code(), 2);
    }
}
