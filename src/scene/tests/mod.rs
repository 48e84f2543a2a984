//! Tests of the whole room: texts in, scenes or rendered messages out.

mod example;
mod format;
mod hostile;
mod laws;
mod meaning;
mod outputs;
mod params;
mod relations;
mod syntax;

use super::{LoadFault, Loader, Refused, Scene, read};
use crate::diag::{Colours, rendered};
use std::collections::BTreeMap;
use std::path::Path;

/// Texts by path, instead of a disk.
#[derive(Default)]
struct Shelf(BTreeMap<String, String>);

impl Shelf {
    fn of(files: &[(&str, &str)]) -> Shelf {
        Shelf(
            files
                .iter()
                .map(|(path, text)| ((*path).to_owned(), (*text).to_owned()))
                .collect(),
        )
    }
}

impl Loader for Shelf {
    fn load(&self, path: &Path) -> Result<String, LoadFault> {
        self.0
            .get(path.to_str().unwrap_or_default())
            .cloned()
            .ok_or(LoadFault::Missing)
    }
}

/// What `text` means as `scene.kdl`.
fn read_text(text: &str) -> Result<Scene, Refused> {
    read(
        Path::new("scene.kdl"),
        &[],
        &Shelf::of(&[("scene.kdl", text)]),
    )
}

fn good(text: &str) -> Scene {
    match read_text(text) {
        Ok(scene) => scene,
        Err(refused) => panic!("{}", told(&refused)),
    }
}

/// All messages of a refused scene as a terminal shows them.
fn told(refused: &Refused) -> String {
    refused
        .findings
        .iter()
        .map(|finding| rendered(finding, &refused.sources, Colours::Plain))
        .collect::<Vec<_>>()
        .join("\n")
}

/// The messages of a text that must be refused.
fn faults(text: &str) -> String {
    match read_text(text) {
        Ok(_) => "no faults".to_owned(),
        Err(refused) => told(&refused),
    }
}

/// The messages of a scene with a plate and `text` below it; `text` begins on line 3.
fn after_head(text: &str) -> String {
    faults(&format!("scene \"a\" language=1\nplate \"p.tif\"\n{text}"))
}

/// The identifiers of a refused text's findings.
fn ids(text: &str) -> Vec<&'static str> {
    match read_text(text) {
        Ok(_) => Vec::new(),
        Err(refused) => refused.findings.iter().map(|finding| finding.id).collect(),
    }
}
