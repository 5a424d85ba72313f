//! `papers`: shell completions and manual pages, written to a folder by the program that they are about.

use super::args::Arguments;
use super::exit::Exit;
use super::failure::Failure;
use super::output::Output;
use clap::{Command, CommandFactory};
use clap_complete::{Shell, generate_to};
use std::path::Path;

const NAME: &str = "ramprig";
const SHELLS: [Shell; 3] = [Shell::Bash, Shell::Zsh, Shell::Fish];

/// Write them.
pub fn papers(folder: &Path, output: Output) -> Result<Exit, Failure> {
    let fault = |error: std::io::Error| Failure::configuration(format!("{}: {error}", folder.display()));
    std::fs::create_dir_all(folder).map_err(fault)?;
    let mut program = Arguments::command();
    program.build();
    for shell in SHELLS {
        let path = generate_to(shell, &mut program, NAME, folder).map_err(fault)?;
        output.text(&path.display().to_string());
    }
    for (name, page) in pages(&program) {
        let path = folder.join(format!("{name}.1"));
        let mut text = Vec::new();
        clap_mangen::Man::new(page).render(&mut text).map_err(fault)?;
        std::fs::write(&path, text).map_err(fault)?;
        output.text(&path.display().to_string());
    }
    Ok(Exit::Done)
}

/// The program's own page and one a verb, by name.
fn pages(program: &Command) -> Vec<(String, Command)> {
    let verbs = program.get_subcommands().filter(|verb| !verb.is_hide_set() && verb.get_name() != "help");
    let of_verb = |verb: &Command| {
        let name = format!("{NAME}-{}", verb.get_name());
        (name, verb.clone().version(env!("CARGO_PKG_VERSION")))
    };
    std::iter::once((NAME.to_owned(), program.clone())).chain(verbs.map(of_verb)).collect()
}
