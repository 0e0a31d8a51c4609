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
        "",
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
