//! `completions`: what a shell needs to complete this program's words.

use super::answer::Answer;
use super::args::{Cli, CompletionsArgs};
use clap::CommandFactory;
use serde_json::{Map, json};

pub(super) fn run(args: &CompletionsArgs) -> Answer {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "platewright", &mut script);
    let text = String::from_utf8_lossy(&script).into_owned();
    let mut more = Map::new();
    more.insert("text".into(), json!(text));
    Answer {
        text,
        more,
        ..Answer::default()
    }
}
