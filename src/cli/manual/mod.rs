//! `nightfix manual`: man pages and shell completions, made from the options themselves. Those in
//! `completions` and `man` beside this file are the same, kept so that packages can take them.

use super::{Cli, Status, complain};
use crate::report::atomic::write_atomically;
use clap::{Args, CommandFactory};
use clap_complete::{Generator, Shell, generate};
use clap_mangen::Man;
use std::io::{self, Write};
use std::path::PathBuf;

/// Shells that completions are made for.
const SHELLS: [Shell; 4] = [Shell::Bash, Shell::Zsh, Shell::Fish, Shell::PowerShell];

/// Write man pages and shell completions into a folder.
///
/// The folder gets two: man, whose pages go where `manpath` looks, and completions, with a file for
/// bash, zsh, fish and PowerShell each.
#[derive(Debug, Args)]
pub struct ManualArgs {
    /// The folder to write into; it is made where it is not there
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,
}

/// Writes all files.
pub fn run(args: &ManualArgs) -> Status {
    let written = files().and_then(|files| {
        for (name, bytes) in files {
            let path = args.folder.join(name);
            std::fs::create_dir_all(path.parent().unwrap_or(&args.folder))?;
            write_atomically(&path, |file| file.write_all(&bytes))?;
        }
        Ok(())
    });
    match written {
        Ok(()) => Status::Solved,
        Err(failure) => {
            complain(&format!(
                "{}: {failure}; name a folder where files may be written",
                args.folder.display()
            ));
            Status::OutputNotWritable
        }
    }
}

/// Names within the folder, and what is in them.
fn files() -> io::Result<Vec<(String, Vec<u8>)>> {
    let mut files = Vec::new();
    for shell in SHELLS {
        let mut text = Vec::new();
        let mut command = Cli::command();
        let name = command.get_name().to_owned();
        generate(shell, &mut command, &name, &mut text);
        files.push((format!("completions/{}", shell.file_name(&name)), text));
    }
    let mut command = Cli::command().disable_help_subcommand(true);
    command.build();
    let subcommands = command.get_subcommands().filter(|sub| !sub.is_hide_set());
    let pages: Vec<_> = subcommands.cloned().collect();
    for page in std::iter::once(command).chain(pages) {
        let man = Man::new(page);
        let mut text = Vec::new();
        man.render(&mut text)?;
        files.push((format!("man/{}", man.get_filename()), text));
    }
    Ok(files)
}
