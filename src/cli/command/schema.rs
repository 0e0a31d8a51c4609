//! `schema`: the bare schema, or, with `--json`, a document that holds it.

use crate::cli::desk::Desk;
use crate::cli::schema::schema;
use crate::step::outcome::{Exit, Outcome, Problem, SchemaPrinted};

pub(super) fn go(desk: &mut Desk<'_>) -> Exit {
    let schema = schema();
    if desk.json {
        let outcome = Outcome::alone(SchemaPrinted { schema });
        return desk.deliver("schema", None, Ok(outcome), |_, _| {});
    }
    match serde_json::to_string_pretty(&schema) {
        Ok(text) => desk.write_out(&(text + "\n"), Exit::Done),
        Err(error) => {
            let problem = Problem::failed(
                format!("writing the schema as JSON: {error}"),
                "",
                "this is a defect of holdpoint: please report it",
            );
            desk.refuse("schema", None, &problem)
        }
    }
}
