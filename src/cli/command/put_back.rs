//! `put-back`.

use crate::cli::args::PutBackArgs;
use crate::cli::desk::Desk;
use crate::cli::text;
use crate::step::outcome::Exit;
use crate::step::request::PutBackRequest;

pub(super) fn go(args: &PutBackArgs, desk: &mut Desk<'_>) -> Exit {
    let request = PutBackRequest {
        job: args.job.clone(),
        to: args.to.clone(),
        map: args.map.clone(),
        only: args.only,
        person: args.person.clone(),
    };
    let answer = desk.step(|engine, tell| engine.put_back(&request, tell));
    desk.deliver("put-back", Some(&args.job), answer, text::put_back::page)
}
