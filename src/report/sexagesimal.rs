pub fn format_ra(ra_deg: f64) -> String {
    let cs = (ra_deg / 15.0 * 360_000.0).round() as i64;
    let cs = cs.rem_euclid(24 * 360_000);
    format!(
        "{:02}h{:02}m{:02}.{:02}s",
        cs / 360_000,
        cs / 6000 % 60,
        cs / 100 % 60,
        cs % 100
    )
}
pub fn format_dec(dec_deg: f64) -> String {
    let ds = (dec_deg.abs() * 36_000.0).round() as i64;
    let sign = if dec_deg < 0.0 && ds > 0 { '-' } else { '+' };
    format!(
        "{sign}{:02}d{:02}m{:02}.{}s",
        ds / 36_000,
        ds / 600 % 60,
        ds / 10 % 60,
        ds % 10
    )
}
