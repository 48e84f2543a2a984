//! The reference of the scene language under `scenes/reference`: every example on its pages is rendered, or refused
//! with the words printed below it; its pictures are what the program draws; no word of the language is missing.

mod common;

#[path = "reference/blocks.rs"]
mod blocks;
#[path = "reference/frames.rs"]
mod frames;
#[path = "reference/goldens.rs"]
mod goldens;
#[path = "common/side_by_side.rs"]
mod side_by_side;

use blocks::{Example, Page, Promise};
use platewright::scene::{self, FileLoader};
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn reference() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("scenes/reference")
}

/// What a run of the program came to.
struct Run {
    code: Option<i32>,
    /// Lines of standard error.
    said: Vec<String>,
    /// The first PNG it wrote.
    picture: Option<Vec<u8>>,
    /// How many files it says it wrote.
    files: usize,
}

/// Renders a scene in `folder` and takes away what was written.
fn run(folder: &Path, scene: &str) -> Run {
    fs::write(folder.join("scene.kdl"), scene).unwrap();
    let done = Command::new(env!("CARGO_BIN_EXE_platewright"))
        .args(["render", "scene.kdl"])
        .env("PLATEWRIGHT_CACHE", "")
        .current_dir(folder)
        .env_remove("SOURCE_DATE_EPOCH")
        .output()
        .unwrap();
    let lines = |bytes: &[u8]| -> Vec<String> {
        let text = String::from_utf8(bytes.to_vec()).unwrap();
        text.lines().map(str::to_owned).collect()
    };
    let mut picture = None;
    let written = lines(&done.stdout);
    for line in &written {
        let (file, _) = line.split_once("  ").expect("a file and its size");
        let path = folder.join(file);
        if picture.is_none() && file.ends_with(".png") {
            picture = Some(fs::read(&path).unwrap());
        }
        fs::remove_file(path).unwrap();
    }
    Run {
        code: done.status.code(),
        said: lines(&done.stderr),
        picture,
        files: written.len(),
    }
}

/// Whether `words` are among what was said, in their order.
fn holds(said: &[String], words: &[String]) -> bool {
    let mut said = said.iter();
    words
        .iter()
        .all(|word| said.any(|line| line.trim_end() == word.trim_end()))
}

/// What is wrong with an example.
fn faults(folder: &Path, example: &Example) -> Vec<String> {
    if let Promise::File(path) = &example.promise {
        fs::write(folder.join(path), &example.text).unwrap();
        return Vec::new();
    }
    let run = run(folder, &example.scene());
    let mut faults = Vec::new();
    let said = run.said.join("\n");
    let (code, quiet) = match example.promise {
        Promise::Refused => (1, false),
        Promise::Remarked => (0, false),
        _ => (0, true),
    };
    if run.code != Some(code) {
        faults.push(format!("exit code {:?}, {code} expected", run.code));
    }
    if code == 1 && run.files > 0 {
        faults.push("refused, and files were written".to_owned());
    }
    if quiet && !run.said.is_empty() {
        faults.push("it is remarked upon".to_owned());
    }
    if !quiet && example.words.is_empty() {
        faults.push("the program's words do not stand below it".to_owned());
    }
    if !holds(&run.said, &example.words) {
        faults.push("the words below it are not what the program says".to_owned());
    }
    if !faults.is_empty() {
        faults.push(format!("the program says:\n{said}"));
        return faults;
    }
    let committed = reference().join("pictures");
    if let Some(name) = &example.picture {
        match &run.picture {
            Some(picture) => faults.extend(goldens::fault(&committed, name, picture)),
            None => faults.push("it writes no PNG to show".to_owned()),
        }
    }
    if let Some(name) = &example.matte {
        match self::run(folder, &example.matte_scene()) {
            Run {
                picture: Some(picture),
                ..
            } => {
                faults.extend(goldens::fault(&committed, name, &picture));
            }
            run => faults.push(format!(
                "its matte can't be drawn:\n{}",
                run.said.join("\n")
            )),
        }
    }
    faults
}

#[test]
fn every_example_does_what_its_page_says() {
    let folder = common::folder("reference");
    frames::make(&folder);
    let mut wrong = Vec::new();
    let mut count = 0;
    for page in blocks::pages(&reference()) {
        for example in &page.examples {
            count += 1;
            for fault in faults(&folder, example) {
                wrong.push(format!("{}: {fault}", example.place));
            }
        }
    }
    assert!(count > 0, "the pages hold examples");
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

/// Every picture on a page comes from an example of that page, is shown there, and is committed for no other reason.
#[test]
fn pictures_and_examples_belong_together() {
    let mut made = BTreeSet::new();
    for Page {
        name,
        text,
        examples,
    } in blocks::pages(&reference())
    {
        let mut own = BTreeSet::new();
        for example in &examples {
            for picture in example.picture.iter().chain(&example.matte) {
                assert!(
                    own.insert(picture.clone()),
                    "{}: {picture} twice",
                    example.place
                );
            }
        }
        let shown: BTreeSet<String> = text
            .split("](pictures/")
            .skip(1)
            .filter_map(|rest| {
                rest.split_once(".png)")
                    .map(|(picture, _)| picture.to_owned())
            })
            .collect();
        assert_eq!(shown, own, "{name}: pictures shown, pictures made");
        made.extend(own);
    }
    let committed: BTreeSet<String> = fs::read_dir(reference().join("pictures"))
        .unwrap()
        .map(|entry| {
            entry
                .unwrap()
                .path()
                .file_stem()
                .unwrap()
                .to_string_lossy()
                .into_owned()
        })
        .collect();
    assert_eq!(committed, made);
}

/// Links between the pages lead somewhere.
#[test]
fn links_lead_somewhere() {
    let pages = blocks::pages(&reference());
    let anchors = |text: &str| -> BTreeSet<String> {
        text.lines()
            .filter_map(|line| line.strip_prefix('#'))
            .map(|line| {
                let words = line.trim_start_matches('#').trim().to_lowercase();
                let kept = words
                    .chars()
                    .filter(|c| c.is_alphanumeric() || matches!(c, '-' | ' ' | '_'));
                kept.map(|c| if c == ' ' { '-' } else { c }).collect()
            })
            .collect()
    };
    for page in &pages {
        for rest in page.text.split("](").skip(1) {
            let target = rest.split(')').next().unwrap();
            if target.starts_with("pictures/") || target.starts_with("https://") {
                continue;
            }
            let (file, anchor) = target.split_once('#').unwrap_or((target, ""));
            let to = if file.is_empty() {
                page
            } else {
                pages
                    .iter()
                    .find(|other| other.name == file)
                    .unwrap_or_else(|| panic!("{}: no page {target}", page.name))
            };
            let known = anchor.is_empty() || anchors(&to.text).contains(anchor);
            assert!(known, "{}: no heading {target}", page.name);
        }
    }
}

/// A node and a property that nobody knows, in every place there is: the program answers with what it knows.
const STRANGERS: &str = r#"scene "t" language=1 zzz=1 { zzz }
plate "p.tif" zzz=1
series "s.csv"
zzz
each { zzz }
group "g" zzz=1 {
    zzz
    element "x" zzz=1 {
        zzz
        frame "f.tif" zzz=1
        correct { zzz }
        shadow zzz=1 { zzz; within { zzz } }
        mend zzz=1 { zzz }
        mask {
            zzz
            keep { zzz }
            keep {
                rect 1 1 1 1 zzz=1
                polygon "0,0 1,0 1,1" zzz=1
                line "0,0 1,1" width=1 zzz=1
                image "m.tif" zzz=1 { zzz }
                piece zzz=1 { zzz; card "c.tif" zzz=1 }
            }
        }
    }
}
row "r" { zzz }
output "o" zzz=1 {
    zzz
    file "o.tif"
    crop "1:1" { zzz }
    size zzz=1
    bleed 1 zzz=1
    guide zzz=1
    change "g" zzz=1 { zzz }
    change "g/x" zzz=1 { zzz }
}
"#;

/// Words of the language that no list in an answer holds: what is read before anything else, and what stands alone.
const MORE_WORDS: [&str; 8] = [
    "param", "include", "keep", "within", "cut", "nudge", "card", "at",
];

/// Every node and property the program knows, by its own answer.
fn words_of_the_language() -> BTreeSet<String> {
    let folder = common::folder("reference-words");
    let path = folder.join("scene.kdl");
    fs::write(&path, STRANGERS).unwrap();
    let refused = scene::read(&path, &[], &FileLoader).expect_err("strangers are refused");
    let mut words: BTreeSet<String> = MORE_WORDS.iter().map(|word| (*word).to_owned()).collect();
    let mut answers = 0;
    for finding in &refused.findings {
        if !["unknown-node", "unknown-property"].contains(&finding.id) {
            continue;
        }
        answers += 1;
        let allowed = finding.allowed.as_deref().unwrap_or_default();
        words.extend(allowed.split(", ").map(str::to_owned));
    }
    let asked = STRANGERS.matches("zzz").count();
    assert_eq!(answers, asked, "every stranger is answered");
    words.remove("no properties");
    words
}

/// All pages but for the first one's map of the language, and that map.
fn text_and_map() -> (String, String) {
    let (mut text, mut map) = (String::new(), String::new());
    for page in blocks::pages(&reference()) {
        match page.text.split_once("\n## The map\n") {
            None => text.push_str(&page.text),
            Some((before, rest)) => {
                let (section, after) = rest.split_once("\n## ").unwrap();
                map.push_str(section);
                text.push_str(before);
                text.push_str(after);
            }
        }
    }
    (text, map)
}

/// The map names what the program knows, no more and no less.
#[test]
fn the_map_is_the_program_s() {
    let (_, map) = text_and_map();
    // Backticks come in pairs, so every second piece is a word.
    let mapped: BTreeSet<String> = map
        .split('`')
        .skip(1)
        .step_by(2)
        .map(|word| word.trim_end_matches('=').to_owned())
        .collect();
    assert_eq!(mapped, words_of_the_language());
}

#[test]
fn no_word_of_the_language_is_missing() {
    let words = words_of_the_language();
    assert!(words.len() > 100, "{words:?}");
    let (text, _) = text_and_map();
    let missing: Vec<&String> = words
        .iter()
        .filter(|word| {
            !["`", "=", " "]
                .iter()
                .any(|end| text.contains(&format!("`{word}{end}")))
        })
        .collect();
    assert!(
        missing.is_empty(),
        "the reference does not mention {missing:?}"
    );
}

/// The words that a value can be, where a list is short enough to be known by heart.
#[test]
fn no_value_is_missing() {
    let (text, _) = text_and_map();
    let values = "normal multiply screen overlay darken lighten color-dodge color-burn hard-light soft-light difference \
        exclusion hue saturation color luminosity plus-lighter linear encoded lanczos3 mitchell catmull-rom bilinear \
        nearest horizontal vertical nonzero evenodd round butt alpha gray red green blue reflect pad plate srgb \
        display-p3 a98-rgb rec2020 relative perceptual absolute none lzw deflate coated uncoated action graphics shift \
        similarity perspective exposure white px mm";
    for value in values.split_whitespace() {
        let told = [format!("\"{value}\""), format!("`{value}`")];
        assert!(told.iter().any(|told| text.contains(told)), "{value}");
    }
}

/// The recipes' frames are made, not kept; that their scenes are sound can be told without them.
#[test]
fn every_recipe_is_read_and_told_of() {
    let told = fs::read_to_string(reference().join("recipes.md")).unwrap();
    let folder = reference().join("../recipes");
    let mut count = 0;
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|end| end == "kdl") {
            if let Err(refused) = scene::read(&path, &[], &FileLoader) {
                panic!("{}: {:?}", path.display(), refused.findings);
            }
            let name = path.file_name().unwrap().to_str().unwrap();
            assert!(told.contains(&format!("scenes/recipes/{name}")), "{name}");
            count += 1;
        }
    }
    assert!(count >= 4);
}
