//! `bolebook`: everything crews and office do, from a terminal and from scripts.
//!
//! [`args`] says what can be typed; each file of [`commands`] does one thing of it at a
//! [`desk::Desk`]; [`app::App`] opens the store and writes what was staged, all of it or nothing;
//! [`error`] turns what went wrong into words and an exit code.

mod app;
mod args;
mod cautions;
mod commands;
mod desk;
mod error;
mod figures;
mod founding;
mod local_store;
mod names;
mod output;
mod outside;
mod photo_upload;
mod planning;
mod reach;
mod stand_index;
mod sync;
mod transport;
mod writer;

use std::process::ExitCode;

use clap::Parser as _;

fn main() -> ExitCode {
    let args = match args::Args::try_parse() {
        Ok(args) => args,
        Err(error) => return args::explain(&error),
    };
    let json = args.json;
    match args.run() {
        Ok(answer) => {
            let exit = answer.exit;
            answer.print(json);
            ExitCode::from(exit)
        }
        Err(error) => {
            let explained = error.explain();
            explained.print(json);
            ExitCode::from(explained.exit)
        }
    }
}
