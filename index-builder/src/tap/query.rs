//! What is asked, in ADQL 2.0.

use super::Service;
use super::cells::Cell;

/// Number of the rows of a cell to a magnitude.
pub(super) fn count(service: &Service, cell: &Cell, to_mag: f64) -> String {
    let (table, condition) = (
        quoted_table(&service.table),
        condition(service, cell, to_mag),
    );
    format!("SELECT COUNT(*) AS n FROM {table} WHERE {condition}")
}

/// The rows themselves.
pub(super) fn rows(service: &Service, cell: &Cell, to_mag: f64) -> String {
    let (table, condition) = (
        quoted_table(&service.table),
        condition(service, cell, to_mag),
    );
    let names: Vec<String> = service.columns.names().into_iter().map(quoted).collect();
    format!("SELECT {} FROM {table} WHERE {condition}", names.join(", "))
}

/// A circle, by which services find rows fast, and within it the limits of the cell.
fn condition(service: &Service, cell: &Cell, to_mag: f64) -> String {
    let names: Vec<String> = service.columns.names().into_iter().map(quoted).collect();
    let [ra, dec, mag] = [&names[0], &names[1], &names[2]];
    let ([[west, east], [south, north]], [ra0, dec0]) =
        ([cell.ra_deg, cell.dec_deg], cell.middle_deg());
    let reach = cell.reach_deg();
    let around = if cell.is_all_around() {
        String::new()
    } else {
        format!(" AND {ra} >= {west:.7} AND {ra} < {east:.7}")
    };
    let below = if north >= 90.0 { "<=" } else { "<" };
    format!(
        "1 = CONTAINS(POINT('ICRS', {ra}, {dec}), CIRCLE('ICRS', {ra0:.7}, {dec0:.7}, {reach:.7})) \
         AND {dec} >= {south:.7} AND {dec} {below} {north:.7}{around} AND {mag} <= {to_mag:.3}"
    )
}

/// A name as ADQL wants it: in quotes unless it is a regular identifier.
fn quoted(name: &str) -> String {
    let regular = name.starts_with(|c: char| c.is_ascii_alphabetic())
        && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_');
    match regular {
        true => name.to_owned(),
        false => format!("\"{}\"", name.replace('"', "\"\"")),
    }
}

/// `schema.table` stays, anything else is quoted, unless the user did so.
fn quoted_table(name: &str) -> String {
    if name.contains('"') {
        return name.to_owned();
    }
    let parts: Vec<&str> = name.split('.').collect();
    let regular = parts.iter().all(|part| quoted(part) == *part);
    if regular {
        name.to_owned()
    } else {
        quoted(name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tap::cells::cells;

    #[test]
    fn names_are_quoted_where_they_must_be() {
        assert_eq!(quoted_table("gaiadr3.gaia_source"), "gaiadr3.gaia_source");
        assert_eq!(quoted_table("I/355/gaiadr3"), "\"I/355/gaiadr3\"");
        assert_eq!(quoted_table("a.\"b c\""), "a.\"b c\"");
        assert_eq!(quoted("_RAJ2000"), "\"_RAJ2000\"");
    }

    #[test]
    fn a_query_names_columns_circle_and_limits() {
        let service = Service::gaia("http://localhost/tap");
        let cell = cells(1.0, &[[132.85, 11.81]])[0];
        let query = rows(&service, &cell, 17.5);
        assert!(
            query.starts_with(
                "SELECT ra, dec, phot_g_mean_mag, pmra, pmdec, ref_epoch FROM gaiadr3.gaia_source \
                 WHERE 1 = CONTAINS(POINT('ICRS', ra, dec), CIRCLE('ICRS', "
            ),
            "{query}"
        );
        assert!(query.ends_with("AND phot_g_mean_mag <= 17.500"), "{query}");
    }
}
