//! `waive`: a decision to lose something, or the answer to a must-have.

use crate::cli::args::WaiveArgs;
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::{DecidedBy, Exit, Problem};
use crate::step::request::{AnswerRequest, MustHaveAnswer, WaiveRequest, WaiveWhat};

pub(super) fn go(args: &WaiveArgs, desk: &mut Desk<'_>) -> Exit {
    let job = Some(args.job.as_path());
    if let Some(number) = args.must_have {
        let request = match answer(args, number) {
            Ok(request) => request,
            Err(problem) => return desk.refuse("waive", job, &problem),
        };
        let answer = desk.engine.answer(&request);
        return desk.deliver("waive", job, answer, text::waive::answered);
    }
    let request = match waiver(args) {
        Ok(request) => request,
        Err(problem) => return desk.refuse("waive", job, &problem),
    };
    let answer = desk.engine.waive(&request);
    desk.deliver("waive", job, answer, |page, outcome| {
        text::waive::page(page, &request, outcome);
    })
}

fn missing(option: &str, why: &str) -> Problem {
    Problem::usage(
        format!("{option} is missing: {why}"),
        option.split(' ').next().unwrap_or_default(),
        format!("add {option}"),
    )
}

fn answer(args: &WaiveArgs, number: u32) -> Result<AnswerRequest, Problem> {
    let answer = match (&args.reason, args.not_here, args.found.is_empty()) {
        (Some(reason), true, _) => MustHaveAnswer::NotHere {
            reason: reason.clone(),
        },
        (None, true, _) => return Err(missing("--reason TEXT", "how it is known not to be there")),
        (_, false, false) => MustHaveAnswer::Found(args.found.clone()),
        (_, false, true) => {
            return Err(missing(
                "--found PATH",
                "where it is, or --not-here --reason TEXT",
            ));
        }
    };
    Ok(AnswerRequest {
        job: args.job.clone(),
        number,
        answer,
    })
}

fn waiver(args: &WaiveArgs) -> Result<WaiveRequest, Problem> {
    let what = if !args.item.is_empty() {
        WaiveWhat::Items(args.item.clone())
    } else if let Some(class) = args.class {
        WaiveWhat::Class(class)
    } else if let Some((drive, number)) = &args.volume {
        WaiveWhat::Volume {
            drive: drive.clone(),
            number: *number,
        }
    } else if let Some(point) = &args.point {
        WaiveWhat::Point(point.clone())
    } else if args.no_rescue {
        WaiveWhat::NoRescue
    } else {
        return Err(missing(
            "--item PATH",
            "what may be lost; or --class, --volume, --point, --no-rescue",
        ));
    };
    let Some(reason) = args.reason.clone().filter(|text| !text.trim().is_empty()) else {
        return Err(missing(
            "--reason TEXT",
            "a decision without a reason is none",
        ));
    };
    let Some(decided_by) = args.decided_by else {
        return Err(missing("--decided-by owner|technician", "who decided"));
    };
    if decided_by == DecidedBy::Owner && args.how.is_none() {
        return Err(missing(
            "--how signed|message|phone",
            "how the owner told it",
        ));
    }
    Ok(WaiveRequest {
        job: args.job.clone(),
        what,
        reason,
        decided_by,
        name: args.name.clone(),
        how: args.how,
        proof: args.proof.clone(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::args::{self, Command};
    use std::ffi::OsString;
    use std::path::Path;

    /// The commands of this program, and `policy` with what it does.
    fn verbs() -> Vec<&'static str> {
        let phases = args::PHASES.iter();
        phases
            .flat_map(|(_, names)| names.iter().copied())
            .collect()
    }

    /// Every `holdpoint COMMAND …` in the literals of a source, as the lines that are printed.
    fn commands(source: &str) -> Vec<String> {
        // A literal may go on in the next line of the source.
        let source = source.replace("\\\n", "").replace("\\n", "\n");
        let code = source
            .lines()
            .filter(|line| !line.trim_start().starts_with("//"));
        let mut out = Vec::new();
        for line in code {
            for (at, _) in line.match_indices("holdpoint ") {
                let from = &line[at..];
                let verb = from
                    .split([' ', '"', ')', ',', ';'])
                    .nth(1)
                    .unwrap_or_default();
                if !verbs().contains(&verb) {
                    continue;
                }
                let before = line[..at].trim();
                if !before.is_empty() && !before.ends_with('"') {
                    // Inside a sentence it cannot be pasted; kept whole, so that it shows as wrong.
                    out.push(line.trim().to_owned());
                    continue;
                }
                out.push(from[..from.find('"').unwrap_or(from.len())].to_owned());
            }
        }
        out
    }

    /// Takes a printed command as somebody would type it: placeholders filled in.
    fn typed(command: &str) -> Vec<OsString> {
        let command = command
            .replace("{words}", "show")
            .replace("-- CMD {{drive}}", "-- CMD {drive}")
            .replace("{what}", "--item PATH")
            .replace("{answers}", "--owner TEXT --symptom WORD");
        // What is put right behind a command is a line of its own.
        let attached = command
            .strip_suffix("{}")
            .filter(|rest| !rest.ends_with(' '));
        let command = attached.unwrap_or(&command);
        command
            .split_whitespace()
            .map(|word| match word {
                "{job}" | "{}" | "JOB" => "/job".into(),
                "{who}" => "owner".into(),
                "{number}" | "{0}" | "N" => "1".into(),
                "DRIVE:N" | "{typed}" => "S1:2".into(),
                "WORD" => "none".into(),
                "DATE" => "2026-11-25".into(),
                "NAME" | "TEXT" => "somebody".into(),
                word => word.into(),
            })
            .collect()
    }

    fn complete(command: &str) -> Result<(), String> {
        if !command.starts_with("holdpoint ") {
            return Err("it stands inside a sentence".into());
        }
        let cli = args::parse(typed(command), 80).map_err(|e| e.to_string())?;
        let Command::Waive(args) = cli.command else {
            return Ok(());
        };
        if let Some(number) = args.must_have {
            return answer(&args, number).map(|_| ()).map_err(|e| e.what);
        }
        let request = waiver(&args).map_err(|e| e.what)?;
        // What the step asks for beyond what stands on the command line.
        match (request.decided_by, request.name) {
            (DecidedBy::Owner, None) => Err("--name is missing".into()),
            _ => Ok(()),
        }
    }

    fn sources(folder: &Path, out: &mut Vec<std::path::PathBuf>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                sources(&path, out);
            } else if path.extension().is_some_and(|end| end == "rs") {
                out.push(path);
            }
        }
    }

    /// Whoever types what a remedy says must not be told that something is missing, nor have to cut it out of a sentence.
    #[test]
    fn every_printed_command_is_whole() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
        let mut files = vec![root.join("job.rs")];
        for folder in ["judge", "step", "cli/text", "cli/command", "ledger"] {
            sources(&root.join(folder), &mut files);
        }
        let (mut seen, mut wrong) = (0, Vec::new());
        for file in files {
            let text = std::fs::read_to_string(&file).unwrap();
            // What is asked of this very test below is no printed text.
            let text = text.split("#[cfg(test)]").next().unwrap_or_default();
            for command in commands(text) {
                if let Err(why) = complete(&command) {
                    wrong.push(format!("{}: {command}\n  {why}", file.display()));
                }
                seen += 1;
            }
        }
        assert!(wrong.is_empty(), "{}", wrong.join("\n"));
        assert!(seen > 90, "only {seen} found");
        assert!(complete("holdpoint waive JOB --point health-unread --reason TEXT").is_err());
        assert!(complete("holdpoint copy JOB --again").is_err());
        let inside = commands("\"then holdpoint copy JOB\"");
        assert!(complete(&inside[0]).is_err(), "{inside:?}");
    }
}
