//! `fmt`: scene files in the canonical layout.
//!
//! A file is replaced whole (written beside it, then renamed), keeps its permissions, and is left alone when nothing
//! changes. Where the path is a link, the file it leads to is replaced and the link stays. `-` is standard input.

use super::answer::{Answer, Stopped};
use super::args::FmtArgs;
use super::replaced::{Replacing, unwritable};
use crate::diag::{Finding, SourceId, Sources};
use crate::scene::{self, FileLoader, Loader, TEXT_BYTES};
use serde_json::{Map, Value, json};
use std::io::Read;
use std::path::Path;

/// What became of one file.
struct Done {
    file: String,
    differs: bool,
    written: bool,
    /// For standard input: the text laid out.
    text: Option<String>,
}

pub(super) fn run(args: &FmtArgs) -> Result<Answer, Stopped> {
    let mut sources = Sources::default();
    let mut findings = Vec::new();
    let mut all = Vec::new();
    for path in &args.scenes {
        match laid_out(path, args, &mut sources) {
            Ok(done) => all.push(done),
            Err(told) => findings.extend(told),
        }
    }
    let differs = all.iter().any(|done| done.differs);
    let mut more = Map::new();
    more.insert("files".into(), all.iter().map(as_json).collect());
    if let Some(text) = all.iter().find_map(|done| done.text.as_ref()) {
        more.insert("text".into(), json!(text));
    }
    Ok(Answer {
        findings,
        sources,
        text: all.iter().map(|done| said(done, args)).collect(),
        more,
        attention: args.check && differs,
    })
}

fn said(done: &Done, args: &FmtArgs) -> String {
    match (&done.text, done.differs) {
        (Some(text), _) if !args.check => text.clone(),
        (_, true) => format!("{}\n", done.file),
        _ => String::new(),
    }
}

fn as_json(done: &Done) -> Value {
    json!({ "file": done.file, "differs": done.differs, "written": done.written })
}

fn laid_out(path: &Path, args: &FmtArgs, sources: &mut Sources) -> Result<Done, Vec<Finding>> {
    let piped = path.as_os_str() == "-";
    let (file, text) = if piped {
        (
            "standard input".to_owned(),
            piped_in().map_err(|f| vec![f])?,
        )
    } else {
        let shown = path.display().to_string();
        let text = FileLoader
            .load(path)
            .map_err(|fault| vec![refused(fault.id(), &shown, &fault.to_string())])?;
        (shown, text)
    };
    let source = sources.add(file.clone(), text.as_str().into());
    let new = scene::formatted(&text).map_err(|findings| moved(findings, source))?;
    let differs = new != text;
    let written = differs && !args.check && !piped;
    if written {
        Replacing::prepared(path, &new)
            .and_then(Replacing::commit)
            .map_err(|fault| {
                let remedy = "it is as it was; make its folder writable, or read it through -";
                vec![unwritable(&file, &fault).remedy(remedy)]
            })?;
    }
    Ok(Done {
        file,
        differs,
        written,
        text: piped.then_some(new),
    })
}

/// Findings of a text read alone, as findings of this run's source.
fn moved(mut findings: Vec<Finding>, source: SourceId) -> Vec<Finding> {
    for finding in &mut findings {
        if let Some(span) = &mut finding.span {
            span.source = source;
        }
        for (span, _) in &mut finding.related {
            span.source = source;
        }
    }
    findings
}

/// Standard input, at most as long as a scene file may be.
fn piped_in() -> Result<String, Finding> {
    let mut bytes = Vec::new();
    std::io::stdin()
        .lock()
        .take(TEXT_BYTES as u64 + 1)
        .read_to_end(&mut bytes)
        .map_err(|fault| unreadable("standard input", &fault.to_string()))?;
    if bytes.len() > TEXT_BYTES {
        let fault = format!("a scene file holds at most {TEXT_BYTES} bytes");
        return Err(unreadable("standard input", &fault));
    }
    String::from_utf8(bytes).map_err(|fault| {
        let at = fault.utf8_error().valid_up_to();
        unreadable("standard input", &format!("byte {at} is no UTF-8 text"))
    })
}

fn unreadable(file: &str, fault: &str) -> Finding {
    refused("unreadable", file, fault)
}

fn refused(id: &'static str, file: &str, fault: &str) -> Finding {
    Finding::stop(id, format!("\"{file}\" can't be read: {fault}"))
}
