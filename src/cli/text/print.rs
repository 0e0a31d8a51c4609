//! `print`: where the paper is.

use super::{next, points, typed};
use crate::cli::page::Page;
use crate::step::outcome::{Outcome, Paper, Printed};
use crate::step::request::PrintRequest;

/// The page.
pub fn page(page: &mut Page, request: &PrintRequest, outcome: &Outcome<Printed>) {
    let paper = match request.paper {
        Paper::Receipt => "The owner's receipt",
        Paper::Sheet => "The sheet to sign",
        Paper::Tag => "The hold tag for the lid",
        Paper::Slip => "The release slip",
    };
    page.say(&format!("{paper}:"));
    page.path(&outcome.result.html);
    page.path(&outcome.result.text);
    if !page.quiet() && request.names.is_none() && request.paper == Paper::Receipt {
        page.say("Names can be kept off the paper with --names folders.");
    }
    points::open_points(page, outcome.job.as_deref(), &outcome.open_points);
    if request.paper == Paper::Sheet {
        let job = typed(outcome.job.as_deref());
        next(
            page,
            outcome,
            &[(
                "When it is signed:",
                format!(
                    "holdpoint waive {job} --point ID --reason TEXT --decided-by owner --how signed --name NAME --proof FILE"
                ),
            )],
        );
    }
}
