//! `pin`: settled values written into the scene as arguments, so that nothing moves when a mask is edited later.
//!
//! Promise: what is rendered before and after is the same to the byte; the new texts are read back and planned before
//! any file is touched; a file that can't be written leaves all as they were.

mod settled;
mod texts;

use super::answer::{Answer, Stopped};
use super::args::PinArgs;
use super::console::columns;
use super::opened::{on_threads, opened};
use super::replaced::{Replacing, unwritable};
use crate::diag::Sources;
use crate::scene::arguments;
use serde_json::{Map, Value, json};
use settled::Pin;
use std::fs;
use std::path::Path;
use texts::NewText;

pub(super) fn run(args: &PinArgs) -> Result<Answer, Stopped> {
    on_threads(&args.scene, || {
        let opened = opened(&args.scene, &[])?;
        let sources = &opened.scene.sources;
        let stopped = |findings| Stopped::with(findings, sources);
        let mut findings = opened.findings.clone();
        let found = settled::found(&opened).map_err(|found| opened.all_stopped(found))?;
        findings.extend(found.findings);
        let (texts, pins) = texts::stated(&opened.scene, found.pins, &mut findings);
        if !texts.is_empty() {
            let before = (found.shown, &found.plan);
            texts::proved(&args.scene, &opened, &texts, &pins, before).map_err(stopped)?;
        }
        if !args.check {
            written(&texts).map_err(|finding| opened.stopped(finding))?;
        }
        Ok(Answer {
            findings,
            sources: sources.clone(),
            text: page(&opened.scene.name, &pins, sources),
            more: members(&pins, &texts, sources, args),
            attention: args.check && !texts.is_empty(),
        })
    })
}

/// All texts stand beside their files before the first one is put in place.
fn written(texts: &[NewText]) -> Result<(), crate::diag::Finding> {
    let refused = |text: &NewText, fault: String| {
        unwritable(&text.file, &fault).remedy("make its folder writable")
    };
    let mut ready: Vec<(&NewText, Replacing)> = Vec::new();
    for text in texts {
        // Links may lead to one file by two names.
        let target = |text: &NewText| fs::canonicalize(&text.file).ok();
        if let Some((other, _)) = ready
            .iter()
            .find(|(other, _)| target(other) == target(text))
        {
            if other.text == text.text {
                continue;
            }
            let fault = format!("it is \"{}\" too, with other numbers", other.file);
            return Err(refused(text, fault));
        }
        let replacing = Replacing::prepared(Path::new(&text.file), &text.text);
        ready.push((text, replacing.map_err(|fault| refused(text, fault))?));
    }
    for (text, replacing) in ready {
        replacing.commit().map_err(|fault| refused(text, fault))?;
    }
    Ok(())
}

fn page(scene: &str, pins: &[Pin], sources: &Sources) -> String {
    if pins.is_empty() {
        return format!("{scene}: nothing is left to pin\n");
    }
    let rows: Vec<Vec<String>> = pins
        .iter()
        .map(|pin| {
            let (file, line, _) = place(pin, sources);
            vec![
                format!("{file}:{line}"),
                pin.member.clone(),
                format!("{} {}", pin.node, arguments(&pin.numbers)),
            ]
        })
        .collect();
    columns(&rows)
        .iter()
        .map(|line| format!("{}\n", line.trim_start()))
        .collect()
}

fn place(pin: &Pin, sources: &Sources) -> (String, usize, usize) {
    sources
        .get(pin.name.source)
        .map(|source| {
            let (line, column) = source.line_and_column(pin.name.start as usize);
            (source.name.clone(), line, column)
        })
        .unwrap_or_default()
}

fn members(
    pins: &[Pin],
    texts: &[NewText],
    sources: &Sources,
    args: &PinArgs,
) -> Map<String, Value> {
    let mut more = Map::new();
    let pinned = pins.iter().map(|pin| {
        let (file, line, column) = place(pin, sources);
        json!({
            "member": pin.member,
            "file": file,
            "line": line,
            "column": column,
            "node": pin.node,
            "numbers": pin.numbers,
        })
    });
    more.insert("pinned".into(), pinned.collect());
    let files = texts
        .iter()
        .map(|text| json!({ "file": text.file, "written": !args.check }));
    more.insert("files".into(), files.collect());
    more
}
