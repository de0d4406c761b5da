//! Switches for measurements of what each rule and reading earns: `NIGHTFIX_WITHOUT` names those
//! that are off, separated by commas. Only in builds with the feature `rule-switches`.

use std::sync::LazyLock;

static OFF: LazyLock<Vec<String>> = LazyLock::new(|| {
    let names = std::env::var("NIGHTFIX_WITHOUT").unwrap_or_default();
    names
        .split(',')
        .map(|name| name.trim().to_owned())
        .collect()
});

/// Whether the rule or reading of this name is off.
pub(crate) fn is_off(name: &str) -> bool {
    OFF.iter().any(|off| off == name)
}
