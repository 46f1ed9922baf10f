use clap::{Args, CommandFactory};
use clap_complete::Shell;
use micronewton::diagnostic::{Problem, Result};
use micronewton::report;

use super::{Arguments, Status, output};

/// Print a completion script for a shell.
#[derive(Args)]
#[command(after_help = "Example:
  micronewton completions bash > ~/.local/share/bash-completion/completions/micronewton")]
pub struct Completions {
    /// The shell
    shell: Shell,
}

/// Print the JSON Schema of the record that --format json prints.
#[derive(Args)]
#[command(after_help = "Example:
  micronewton schema > record.schema.json")]
pub struct Schema {}

/// Print the manual page.
#[derive(Args)]
#[command(after_help = "Example:
  micronewton man | man -l -")]
pub struct Man {}

impl Completions {
    pub fn run(self) -> Result<Status> {
        let mut script = Vec::new();
        clap_complete::generate(
            self.shell,
            &mut Arguments::command(),
            "micronewton",
            &mut script,
        );
        output::print(script)?;
        Ok(Status::Done)
    }
}

impl Schema {
    pub fn run(self) -> Result<Status> {
        output::print(report::schema()?)?;
        Ok(Status::Done)
    }
}

impl Man {
    pub fn run(self) -> Result<Status> {
        let mut page = Vec::new();
        let mut command = Arguments::command();
        command.build();
        let write = |command: clap::Command, page: &mut Vec<u8>| {
            clap_mangen::Man::new(command)
                .render(page)
                .map_err(|error| {
                    let what = format!("the manual page cannot be made: {error}");
                    Problem::Internal { what }
                })
        };
        write(command.clone(), &mut page)?;
        for sub in command
            .get_subcommands()
            .filter(|sub| sub.get_name() != "help")
        {
            write(sub.clone(), &mut page)?;
        }
        output::print(page)?;
        Ok(Status::Done)
    }
}
