//! `policy`.

use crate::cli::args::{PolicyAction, PolicyArgs};
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::Exit;
use crate::step::request::PolicyRequest;

pub(super) fn go(args: &PolicyArgs, desk: &mut Desk<'_>) -> Exit {
    match &args.action {
        PolicyAction::List => {
            let answer = desk.engine.policies();
            desk.deliver("policy", None, answer, text::policy::list)
        }
        PolicyAction::Explain { policy } => {
            let answer = desk.engine.policy(&PolicyRequest::Explain(policy.clone()));
            desk.deliver("policy", None, answer, text::policy::explain)
        }
        PolicyAction::Check { file } => {
            let answer = desk.engine.policy(&PolicyRequest::Check(file.clone()));
            desk.deliver("policy", None, answer, text::policy::check)
        }
    }
}
