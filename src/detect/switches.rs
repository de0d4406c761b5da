//! Switches for measurements of what each rule and reading earns: with the feature `rule-switches`
//! `NIGHTFIX_WITHOUT` names those that are off, separated by commas. Else all are on.

#[cfg(feature = "rule-switches")]
static OFF: std::sync::LazyLock<Vec<String>> = std::sync::LazyLock::new(|| {
    let names = std::env::var("NIGHTFIX_WITHOUT").unwrap_or_default();
    names
        .split(',')
        .map(|name| name.trim().to_owned())
        .collect()
});

/// Whether the rule or reading of this name is on.
#[cfg(feature = "rule-switches")]
pub(super) fn is_on(name: &str) -> bool {
    !OFF.iter().any(|off| off == name)
}

#[cfg(not(feature = "rule-switches"))]
pub(super) fn is_on(_name: &str) -> bool {
    true
}
