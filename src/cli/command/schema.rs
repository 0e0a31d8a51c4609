//! `schema`: the schema is the document, with or without `--json`.

use crate::cli::desk::Desk;
use crate::cli::schema::schema;
use crate::step::outcome::{Exit, Problem};

pub(super) fn go(desk: &mut Desk<'_>) -> Exit {
    match serde_json::to_string_pretty(&schema()) {
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
