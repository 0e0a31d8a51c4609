//! Just enough of JSON Schema (draft 2020-12) to check our documents against our schema: the
//! keywords that the schema uses, and a refusal of any that it does not know.

use serde_json::Value;

/// Why `value` does not conform to `schema`; `root` resolves references.
pub fn check(root: &Value, schema: &Value, value: &Value, at: &str) -> Result<(), String> {
    let schema = match schema {
        Value::Bool(true) => return Ok(()),
        Value::Bool(false) => return Err(format!("{at}: must not be there")),
        Value::Object(schema) => schema,
        _ => return Err(format!("{at}: no schema")),
    };
    let no = |why: String| Err(format!("{at}: {why}"));
    for (keyword, rule) in schema {
        match keyword.as_str() {
            "$ref" => {
                let name = rule.as_str().unwrap().strip_prefix("#/$defs/").unwrap();
                check(root, &root["$defs"][name], value, at)?;
            }
            "type" => {
                let types: Vec<&str> = match rule {
                    Value::Array(many) => many.iter().filter_map(Value::as_str).collect(),
                    one => vec![one.as_str().unwrap()],
                };
                let is = |kind: &str| match kind {
                    "object" => value.is_object(),
                    "array" => value.is_array(),
                    "string" => value.is_string(),
                    "boolean" => value.is_boolean(),
                    "null" => value.is_null(),
                    "integer" => value.is_u64() || value.is_i64(),
                    "number" => value.is_number(),
                    other => panic!("type {other}"),
                };
                if !types.iter().any(|kind| is(kind)) {
                    return no(format!("is no {types:?}: {value}"));
                }
            }
            "const" if rule != value => return no(format!("is not {rule}")),
            "enum" if !rule.as_array().unwrap().contains(value) => {
                return no(format!("{value} is not in {rule}"));
            }
            "required" if value.is_object() => {
                for key in rule.as_array().unwrap() {
                    if value.get(key.as_str().unwrap()).is_none() {
                        return no(format!("{key} is missing"));
                    }
                }
            }
            "properties" => {
                for (key, rule) in rule.as_object().unwrap() {
                    if let Some(inner) = value.get(key) {
                        check(root, rule, inner, &format!("{at}/{key}"))?;
                    }
                }
            }
            "items" if rule.is_object() => {
                for (place, inner) in value.as_array().into_iter().flatten().enumerate() {
                    check(root, rule, inner, &format!("{at}/{place}"))?;
                }
            }
            "prefixItems" => {
                for (rule, inner) in rule
                    .as_array()
                    .unwrap()
                    .iter()
                    .zip(value.as_array().into_iter().flatten())
                {
                    check(root, rule, inner, at)?;
                }
            }
            "oneOf" | "anyOf" => {
                let tries: Vec<_> = rule
                    .as_array()
                    .unwrap()
                    .iter()
                    .map(|one| check(root, one, value, at))
                    .collect();
                let fit = tries.iter().filter(|one| one.is_ok()).count();
                if fit == 0 || (keyword == "oneOf" && fit != 1) {
                    return no(format!("{fit} of {keyword} fit: {tries:#?}"));
                }
            }
            "minimum" if value.as_f64().is_some_and(|n| n < rule.as_f64().unwrap()) => {
                return no(format!("{value} < {rule}"));
            }
            "maximum" if value.as_f64().is_some_and(|n| n > rule.as_f64().unwrap()) => {
                return no(format!("{value} > {rule}"));
            }
            "minItems"
                if value
                    .as_array()
                    .is_some_and(|a| (a.len() as u64) < rule.as_u64().unwrap()) =>
            {
                return no("too short".into());
            }
            "maxItems"
                if value
                    .as_array()
                    .is_some_and(|a| (a.len() as u64) > rule.as_u64().unwrap()) =>
            {
                return no("too long".into());
            }
            "const" | "enum" | "required" | "minimum" | "maximum" | "minItems" | "maxItems"
            | "items" => {}
            // Notes, and two that are checked against real samples elsewhere.
            "title"
            | "description"
            | "$schema"
            | "$defs"
            | "format"
            | "pattern"
            | "default"
            | "additionalProperties" => {}
            other => panic!("{at}: the check does not know {other}"),
        }
    }
    Ok(())
}
