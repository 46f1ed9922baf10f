//! The command line of micronewton: parse, run, print, exit code.

mod cli;

use std::panic;
use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    let arguments = cli::Arguments::parse();
    // A panic is a fault of the program: say so in one line, exit 3.
    panic::set_hook(Box::new(|about| {
        let place = about
            .location()
            .map(ToString::to_string)
            .unwrap_or_default();
        anstream::eprintln!("internal fault at {place}; please report it with the command");
    }));
    match panic::catch_unwind(|| cli::run(arguments)) {
        Ok(Ok(status)) => status.into(),
        Ok(Err(error)) => cli::fail(&error).into(),
        Err(_) => cli::Status::Internal.into(),
    }
}
