//! Printed objects against their JSON Schema files, by a library that knows the whole standard.

use serde_json::Value;

/// Every violation of `schema` by `value`, each with its place; those of the standard by the schema
/// itself are panics.
pub fn violations(schema: &Value, value: &Value) -> Vec<String> {
    let validator = jsonschema::draft202012::new(schema).expect("a schema");
    validator
        .iter_errors(value)
        .map(|error| format!("{}: {error}", error.instance_path()))
        .collect()
}
