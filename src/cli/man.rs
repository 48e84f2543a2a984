//! `man`: the manual page of the program, or of one of its verbs.

use super::answer::{Answer, Stopped};
use super::args::{Cli, ManArgs};
use crate::diag::Finding;
use clap::CommandFactory;
use serde_json::{Map, json};

pub(super) fn run(args: &ManArgs) -> Result<Answer, Stopped> {
    let mut whole = Cli::command();
    whole.build();
    let page = match &args.verb {
        None => whole,
        Some(verb) => {
            let verbs: Vec<String> = whole
                .get_subcommands()
                .map(|command| command.get_name().to_owned())
                .collect();
            match whole.find_subcommand(verb) {
                Some(command) => command.clone(),
                None => {
                    let finding =
                        Finding::stop("command-line", format!("there is no verb \"{verb}\""))
                            .allowed(verbs.join(", "));
                    return Err(Stopped::plain(finding));
                }
            }
        }
    };
    let examples = page
        .get_before_help()
        .map(|help| examples(&help.to_string()));
    let mut roff = Vec::new();
    clap_mangen::Man::new(page)
        .render(&mut roff)
        .map_err(|fault| Stopped::plain(Finding::stop("unwritable", fault.to_string())))?;
    let text = String::from_utf8_lossy(&roff).into_owned() + &examples.unwrap_or_default();
    let mut more = Map::new();
    more.insert("text".into(), json!(text));
    Ok(Answer {
        text,
        more,
        ..Answer::default()
    })
}

/// The example lines above a help text as a section of a page, line by line as they stand.
fn examples(help: &str) -> String {
    let mut section = ".SH EXAMPLES\n.nf\n".to_owned();
    for line in help.lines().skip(1) {
        let line = line.replace('\\', "\\e").replace('-', "\\-");
        // A line that begins with a blank is never taken for a request.
        section.push_str(&format!("{line}\n"));
    }
    section + ".fi\n"
}
