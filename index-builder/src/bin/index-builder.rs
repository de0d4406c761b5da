//! The `index-builder` command.

fn main() -> std::process::ExitCode {
    index_builder::cli::run()
}
