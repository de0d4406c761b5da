//! What is printed for people, on either stream: plain, or in dim red for eyes that are used to the
//! dark.
//!
//! Nothing else here has a colour. SGR sequences are dropped where the output is no terminal or
//! NO_COLOR is set; `--ember` on the command line stands above NO_COLOR, as options do.

use anstream::{AutoStream, ColorChoice};
use clap::builder::Styles;
use clap::builder::styling::{Effects, Style};
use std::borrow::Cow;
use std::io::{self, IsTerminal, Write};
use std::sync::atomic::{AtomicU8, Ordering};

/// Setting that stands for the option.
const VARIABLE: &str = "NIGHTFIX_EMBER";

/// Help and usage errors: bold instead of the customary colours.
pub const STYLES: Styles = Styles::plain()
    .header(BOLD)
    .usage(BOLD)
    .literal(BOLD)
    .error(BOLD)
    .valid(BOLD)
    .invalid(BOLD);
const BOLD: Style = Style::new().effects(Effects::BOLD);

const RESET: &str = "\u{1b}[0m";
/// Red of the eight colours, not its bright form.
const RED: &str = "\u{1b}[31m";
const BOLD_SGR: &str = "\u{1b}[1m";
/// Bold would be the bright form in many terminals; underlined is not.
const UNDERLINED_RED: &str = "\u{1b}[4;31m";

/// How to print: one of the three below.
static MODE: AtomicU8 = AtomicU8::new(PLAIN);
const PLAIN: u8 = 0;
/// Red, unless NO_COLOR is set.
const BY_SETTING: u8 = 1;
/// Red on any terminal.
const BY_OPTION: u8 = 2;

/// From now on prints in red where `option` or the setting says so.
pub fn choose(option: bool) {
    let setting = || std::env::var_os(VARIABLE).is_some_and(|v| !v.is_empty() && v != "0");
    let mode = match option {
        true => BY_OPTION,
        false if setting() => BY_SETTING,
        false => PLAIN,
    };
    MODE.store(mode, Ordering::Relaxed);
}

/// Prints on standard output, flushed.
pub fn stdout(text: &str) -> io::Result<()> {
    let out = io::stdout().lock();
    let choice = choice(AutoStream::choice(&out), out.is_terminal());
    print(text, AutoStream::new(out, choice))
}

/// Prints on standard error, flushed.
pub fn stderr(text: &str) -> io::Result<()> {
    let out = io::stderr().lock();
    let choice = choice(AutoStream::choice(&out), out.is_terminal());
    print(text, AutoStream::new(out, choice))
}

fn choice(usual: ColorChoice, is_terminal: bool) -> ColorChoice {
    match MODE.load(Ordering::Relaxed) {
        BY_OPTION if is_terminal => ColorChoice::Always,
        _ => usual,
    }
}

fn print(text: &str, mut out: impl Write) -> io::Result<()> {
    let text = match MODE.load(Ordering::Relaxed) {
        PLAIN => Cow::Borrowed(text),
        _ => Cow::Owned(red(text)),
    };
    out.write_all(text.as_bytes())?;
    out.flush()
}

/// `text` in red, its emphasis underlined. Each line by itself, so that nothing that ends in
/// between leaves a red terminal.
fn red(text: &str) -> String {
    text.split_inclusive('\n')
        .map(|line| {
            let body = line.trim_end_matches('\n');
            let end = &line[body.len()..];
            let body = body
                .replace(RESET, &format!("{RESET}{RED}"))
                .replace(BOLD_SGR, UNDERLINED_RED);
            format!("{RED}{body}{RESET}{end}")
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ECMA-48: 0 resets, 31 is red, 1 is bold, which many terminals show as the bright colour.
    #[test]
    fn every_letter_is_red_and_none_is_bright() {
        let text = red("\u{1b}[1mSOLVED\u{1b}[0m  a.fits\n  Centre\n");
        assert_eq!(
            text,
            "\u{1b}[31m\u{1b}[4;31mSOLVED\u{1b}[0m\u{1b}[31m  a.fits\u{1b}[0m\n\
             \u{1b}[31m  Centre\u{1b}[0m\n"
        );
    }

    #[test]
    fn the_option_stands_above_no_color_and_never_colours_a_file() {
        MODE.store(BY_OPTION, Ordering::Relaxed);
        assert_eq!(choice(ColorChoice::Never, true), ColorChoice::Always);
        assert_eq!(choice(ColorChoice::Never, false), ColorChoice::Never);
        MODE.store(BY_SETTING, Ordering::Relaxed);
        assert_eq!(choice(ColorChoice::Never, true), ColorChoice::Never);
        MODE.store(PLAIN, Ordering::Relaxed);
    }
}
