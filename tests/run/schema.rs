//! A small JSON Schema validator: the keywords that this project's schema uses, and a panic for
//! any other, so that nothing in the schema is silently left unchecked.

use serde_json::{Map, Value};

/// Every violation of `schema` by `value`, each with its place.
pub fn violations(schema: &Value, value: &Value) -> Vec<String> {
    let mut found = Vec::new();
    Checker { root: schema }.check(schema, value, "$", &mut found);
    found
}

struct Checker<'a> {
    root: &'a Value,
}

impl Checker<'_> {
    fn check(&self, schema: &Value, value: &Value, place: &str, found: &mut Vec<String>) {
        let schema = schema.as_object().expect("a schema is an object");
        for (keyword, rule) in schema {
            let valid = match keyword.as_str() {
                "$schema" | "title" | "description" | "$defs" => true,
                "$ref" => {
                    let path = rule.as_str().unwrap().trim_start_matches('#');
                    let target = self.root.pointer(path).expect("a definition");
                    self.check(target, value, place, found);
                    true
                }
                "const" => rule == value,
                "enum" => rule.as_array().unwrap().contains(value),
                "type" => match rule {
                    Value::Array(types) => types.iter().any(|t| is_type(t, value)),
                    one => is_type(one, value),
                },
                "minimum" => number(value).is_none_or(|v| v >= number(rule).unwrap()),
                "maximum" => number(value).is_none_or(|v| v <= number(rule).unwrap()),
                "exclusiveMinimum" => number(value).is_none_or(|v| v > number(rule).unwrap()),
                "exclusiveMaximum" => number(value).is_none_or(|v| v < number(rule).unwrap()),
                "minItems" => length(value).is_none_or(|n| n >= number(rule).unwrap()),
                "maxItems" => length(value).is_none_or(|n| n <= number(rule).unwrap()),
                "pattern" => value.as_str().is_none_or(|text| matches(rule, text)),
                "required" => {
                    let names = rule.as_array().unwrap().iter();
                    let missing = |name: &&Value| value.get(name.as_str().unwrap()).is_none();
                    !value.is_object() || names.clone().all(|name| !missing(&name))
                }
                "items" => {
                    for (i, item) in value.as_array().into_iter().flatten().enumerate() {
                        self.check(rule, item, &format!("{place}[{i}]"), found);
                    }
                    true
                }
                "properties" | "patternProperties" | "additionalProperties" => true,
                other => panic!("keyword {other} is not checked"),
            };
            if !valid {
                found.push(format!("{place}: {value} breaks {keyword} {rule}"));
            }
        }
        if let Some(object) = value.as_object() {
            self.check_keys(schema, object, place, found);
        }
    }

    fn check_keys(
        &self,
        schema: &Map<String, Value>,
        object: &Map<String, Value>,
        place: &str,
        found: &mut Vec<String>,
    ) {
        for (key, value) in object {
            let place = format!("{place}.{key}");
            let named = schema.get("properties").and_then(|p| p.get(key));
            let patterns = schema.get("patternProperties").and_then(Value::as_object);
            let by_pattern = patterns
                .into_iter()
                .flatten()
                .find(|(pattern, _)| matches(&Value::String(pattern.to_string()), key));
            match named.or(by_pattern.map(|(_, rule)| rule)) {
                Some(rule) => self.check(rule, value, &place, found),
                None if schema.get("additionalProperties") == Some(&Value::Bool(false)) => {
                    found.push(format!("{place}: not in the schema"));
                }
                None => {}
            }
        }
    }
}

fn is_type(name: &Value, value: &Value) -> bool {
    match name.as_str().unwrap() {
        "object" => value.is_object(),
        "array" => value.is_array(),
        "string" => value.is_string(),
        "boolean" => value.is_boolean(),
        "null" => value.is_null(),
        "number" => value.is_number(),
        "integer" => value.is_u64() || value.is_i64(),
        other => panic!("type {other} is not checked"),
    }
}

fn number(value: &Value) -> Option<f64> {
    value.as_f64()
}

fn length(value: &Value) -> Option<f64> {
    value.as_array().map(|array| array.len() as f64)
}

fn matches(pattern: &Value, text: &str) -> bool {
    regex::Regex::new(pattern.as_str().unwrap())
        .unwrap()
        .is_match(text)
}
