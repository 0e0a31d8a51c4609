//! `holdpoint schema`: one JSON Schema (draft 2020-12) for every document of every command,
//! told apart by `command`.
//!
//! Invariant: made from the very types that are printed, so the two cannot drift apart.

use super::envelope::ErrorShown;
use crate::step::outcome::*;
use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, SchemaGenerator};
use serde_json::{Map, Value, json};

/// Commands that may do a part of their work, and say beside its result why not all.
const PARTLY: [&str; 5] = ["copy", "verify", "inspect", "put-back", "run"];

/// The schema of every document.
pub fn schema() -> Value {
    // "For serialisation": a field that is always printed is required, even where it may be null.
    let mut generator = SchemaSettings::draft2020_12()
        .for_serialize()
        .into_generator();
    let results = results(&mut generator);
    let points = generator.subschema_for::<Vec<OpenPoint>>();
    let error = generator.subschema_for::<ErrorShown<'static>>().to_value();
    let commands: Vec<&str> = results.iter().map(|(command, _)| *command).collect();

    let mut forms: Vec<Value> = results
        .iter()
        .map(|(command, result)| {
            json!({
                "title": format!("result of {command}"),
                "properties": {
                    "command": { "const": command },
                    "result": result,
                    "open_points": points,
                    // Doing a part of the work is a result and a failure at once.
                    "error": if PARTLY.contains(command) { error.clone() } else { json!(false) }
                },
                "required": ["result", "open_points"]
            })
        })
        .collect();
    forms.push(json!({
        "title": "refusal",
        "properties": {
            // On a command line that makes no sense the command may be empty.
            "command": { "enum": commands.iter().copied().chain([""]).collect::<Vec<_>>() },
            "error": error,
            // Where the hold stands in the way.
            "open_points": points,
            "result": false
        },
        "required": ["error"]
    }));

    let definitions: Map<String, Value> = generator.take_definitions(true).into_iter().collect();
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "holdpoint documents",
        "description": "What every command prints under --json",
        "type": "object",
        "properties": {
            "holdpoint": { "type": "string", "description": "Version of the program" },
            "schema": { "const": SCHEMA, "description": "Version of the documents" },
            "command": { "type": "string" },
            "job": { "type": ["string", "null"], "description": "The job folder" },
            "job_raw": { "type": "string", "pattern": "^([0-9a-f]{2})+$",
                         "description": "Hex of the exact bytes of job when it is no text" }
        },
        "required": ["holdpoint", "schema", "command", "job"],
        "oneOf": forms,
        "$defs": definitions
    })
}

/// The schema of each command's `result`.
fn results(generator: &mut SchemaGenerator) -> Vec<(&'static str, Value)> {
    fn of<T: JsonSchema>(generator: &mut SchemaGenerator) -> Value {
        generator.subschema_for::<T>().to_value()
    }
    let g = generator;
    let mut all = vec![
        ("open", of::<Opened>(g)),
        ("assess", of::<Assessed>(g)),
        ("plan", of::<Planned>(g)),
        ("copy", of::<Copied>(g)),
        ("verify", of::<Verified>(g)),
        ("inspect", of::<Inspected>(g)),
        (
            "waive",
            json!({ "anyOf": [of::<Waived>(g), of::<Answered>(g)] }),
        ),
        ("release", of::<Released>(g)),
        ("recheck", of::<Rechecked>(g)),
        ("guard", of::<Guarded>(g)),
        ("print", of::<Printed>(g)),
        ("put-back", of::<PutBack>(g)),
        ("close", of::<Closed>(g)),
        (
            "show",
            json!({ "anyOf": [of::<Shown>(g), of::<ShownAll>(g)] }),
        ),
        ("demo", of::<Demonstrated>(g)),
        (
            "policy",
            json!({ "anyOf": [of::<PoliciesListed>(g), of::<PolicyExplained>(g)] }),
        ),
        ("schema", of::<SchemaPrinted>(g)),
        ("version", of::<VersionPrinted>(g)),
        ("help", of::<HelpPrinted>(g)),
        ("manual", of::<ManualPrinted>(g)),
        ("completions", of::<CompletionsPrinted>(g)),
    ];
    // `run` prints the result of the last step that it came to.
    let last: Vec<Value> = all
        .iter()
        .filter(|(command, _)| {
            [
                "open", "assess", "plan", "copy", "verify", "inspect", "release",
            ]
            .contains(command)
        })
        .map(|(_, result)| result.clone())
        .collect();
    all.push(("run", json!({ "anyOf": last })));
    all
}
