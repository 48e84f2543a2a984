//! The fenced examples of the reference's pages.

use std::fs;
use std::path::Path;

/// What an example is there to show.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Promise {
    /// It renders without a word.
    Renders,
    /// It renders, and the program remarks on it.
    Remarked,
    /// It is refused, and nothing is written.
    Refused,
    /// It is no scene: a file that later examples of the page read.
    File(String),
}

#[derive(Clone, Debug)]
pub struct Example {
    /// `masks.md:40`, of the line its fence opens on.
    pub place: String,
    pub text: String,
    pub promise: Promise,
    /// The name of its picture under `pictures/`.
    pub picture: Option<String>,
    /// The name of its matte under `pictures/`.
    pub matte: Option<String>,
    /// The lines of the program's words that stand below it.
    pub words: Vec<String>,
}

#[derive(Debug)]
pub struct Page {
    pub name: String,
    pub text: String,
    pub examples: Vec<Example>,
}

/// Every page of a folder, by name.
pub fn pages(folder: &Path) -> Vec<Page> {
    let mut paths: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "md"))
        .collect();
    paths.sort();
    paths.iter().map(|path| page(path)).collect()
}

fn page(path: &Path) -> Page {
    let name = path.file_name().unwrap().to_string_lossy().into_owned();
    let text = fs::read_to_string(path).unwrap();
    let mut examples: Vec<Example> = Vec::new();
    let mut lines = text.lines().enumerate();
    // Whether the next fence may hold the words about the last example.
    let mut awaited = false;
    while let Some((number, line)) = lines.next() {
        let Some(info) = line.strip_prefix("```") else {
            continue;
        };
        let inside: Vec<&str> = lines
            .by_ref()
            .map(|(_, line)| line)
            .take_while(|line| *line != "```")
            .collect();
        if let Some(info) = info.strip_prefix("kdl") {
            let example = example(format!("{name}:{}", number + 1), info, &inside);
            awaited = matches!(example.promise, Promise::Remarked | Promise::Refused);
            examples.push(example);
        } else if info == "text" && awaited {
            let last = examples
                .last_mut()
                .expect("an example stands above its words");
            last.words = inside.iter().map(|line| (*line).to_owned()).collect();
            awaited = false;
        } else {
            assert_eq!(
                info,
                "sh",
                "{name}:{}: a fence of no known kind",
                number + 1
            );
        }
    }
    Page {
        name,
        text,
        examples,
    }
}

fn example(place: String, info: &str, inside: &[&str]) -> Example {
    let mut example = Example {
        text: inside.join("\n") + "\n",
        promise: Promise::Renders,
        picture: None,
        matte: None,
        words: Vec::new(),
        place,
    };
    for word in info.split_whitespace() {
        match word.split_once('=') {
            None if word == "look" => example.promise = Promise::Remarked,
            None if word == "error" || word == "not-built" => example.promise = Promise::Refused,
            Some(("file", path)) => example.promise = Promise::File(path.to_owned()),
            Some(("picture", name)) => example.picture = Some(name.to_owned()),
            Some(("matte", name)) => example.matte = Some(name.to_owned()),
            _ => panic!("{}: `{word}` means nothing after ```kdl", example.place),
        }
    }
    example
}

impl Example {
    /// The scene an example is rendered as: what it leaves out is added, as the reference's first page says.
    pub fn scene(&self) -> String {
        let mut scene = String::new();
        if self.begins("scene") {
            return self.text.clone();
        }
        scene.push_str("scene \"ink-bottle\" language=1\n");
        if !self.begins("plate") && !self.begins("canvas") {
            scene.push_str("plate \"frames/dry-1.tif\"\n");
        }
        self.finished(scene, &self.text)
    }

    /// The example's coverage in black and white: its frames made white, before black.
    pub fn matte_scene(&self) -> String {
        let mut white = String::new();
        for line in self.text.lines() {
            match line.split_once("frame \"") {
                Some((before, after)) => {
                    let (_, after) = after.split_once('"').expect("a quoted path");
                    white.push_str(&format!("{before}frame \"frames/white.tif\"{after}\n"));
                }
                None => white.push_str(&format!("{line}\n")),
            }
        }
        let size = format!(
            "canvas {} {}\n",
            crate::frames::WIDTH,
            crate::frames::HEIGHT
        );
        let head = format!("scene \"matte\" language=1\n{size}backdrop \"#000000\"\n");
        self.finished(head, &white)
    }

    fn finished(&self, head: String, body: &str) -> String {
        let mut scene = head + body;
        if !self.begins("output") {
            scene.push_str("output \"picture\" { file \"picture.png\"; dither #false }\n");
        }
        scene
    }

    /// Whether a node of that name stands at its top.
    fn begins(&self, node: &str) -> bool {
        self.text.lines().any(|line| {
            line.strip_prefix(node)
                .is_some_and(|rest| rest.starts_with(' '))
        })
    }
}
