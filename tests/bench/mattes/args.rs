//! What was typed.

use crate::cases::{self, Case, Kind, Level};
use platewright::register::Motion;
use std::ops::RangeInclusive;
use std::path::PathBuf;

pub const USAGE: &str = "\
Scores mattes on cases of our own world.

  cargo bench --bench mattes -- [--seeds A..B] [--kinds a,b] [--levels a,b] [--size N] [--align WORD]
                                [--converted] [--graded] [--each] [--look DIR] [--large N] [--results DIR] | --write DIR

  --seeds A..B   both ends with it; 1..20 for tuning, 21..40 for reporting (21..40)
  --kinds LIST   steel brass clip curl blurred quill ink scrap wires (all)
  --levels LIST  none typical hard (all)
  --size N       pixels each way, 96 to 3000 (600)
  --align WORD   shift or similarity: how a frame is laid on its plate before it is cut out (shift)
  --converted    frames and plates as a raw converter hands them over: channels filled in, colour noise smoothed, sharpened
  --graded       frames, plates and their truth through one curve of more contrast, after that
  --each         a line for every case too
  --look DIR     a picture for every case: frame, matte, truth, difference
  --large N      one box of N x N a kind for seconds, memory and what is kept; 0 for none (1500)
  --write DIR    write the cases as files instead, a folder each
  --results DIR  score also what lies in DIR/METHOD/CASE/matte.tif and colour.tif
";

#[derive(Debug)]
pub struct Asked {
    pub seeds: RangeInclusive<u32>,
    pub kinds: Vec<Kind>,
    pub levels: Vec<Level>,
    pub size: u32,
    pub motion: Motion,
    pub converted: bool,
    pub graded: bool,
    pub each: bool,
    pub look: Option<PathBuf>,
    pub large: Option<u32>,
    pub write: Option<PathBuf>,
    pub results: Option<PathBuf>,
}

impl Asked {
    /// `None` when nothing was typed: `cargo test --all-targets` starts benchmarks like that, `cargo bench` does not.
    pub fn read(typed: impl Iterator<Item = String>) -> Result<Option<Asked>, String> {
        let mut typed = typed.peekable();
        if typed.peek().is_none() {
            return Ok(None);
        }
        let mut asked = Asked {
            seeds: 21..=40,
            kinds: Kind::ALL.to_vec(),
            levels: Level::ALL.to_vec(),
            size: 600,
            motion: Motion::Shift,
            converted: false,
            graded: false,
            each: false,
            look: None,
            large: Some(1500),
            write: None,
            results: None,
        };
        while let Some(word) = typed.next() {
            match word.as_str() {
                // `cargo bench` adds this to every program.
                "--bench" => continue,
                "--converted" => {
                    asked.converted = true;
                    continue;
                }
                "--graded" => {
                    asked.graded = true;
                    continue;
                }
                "--each" => {
                    asked.each = true;
                    continue;
                }
                _ => {}
            }
            let value = typed
                .next()
                .ok_or_else(|| format!("{word}: not known, or its value is missing"))?;
            let number = |text: &str| {
                text.parse::<u32>()
                    .map_err(|_| format!("{word} {value}: a whole number is wanted"))
            };
            match word.as_str() {
                "--seeds" => {
                    let (first, last) = value.split_once("..").unwrap_or((&value, &value));
                    asked.seeds = number(first)?..=number(last)?;
                }
                "--kinds" => asked.kinds = listed(&value, &Kind::ALL, |k| k.name())?,
                "--levels" => asked.levels = listed(&value, &Level::ALL, |l| l.name())?,
                "--size" => {
                    asked.size = number(&value)?;
                    if !(96..=3000).contains(&asked.size) {
                        return Err(format!("--size {value}: 96 to 3000"));
                    }
                }
                "--align" => {
                    asked.motion = match value.as_str() {
                        "shift" => Motion::Shift,
                        "similarity" => Motion::Similarity,
                        _ => return Err(format!("--align {value}: shift or similarity")),
                    }
                }
                "--large" => asked.large = Some(number(&value)?).filter(|&n| n >= 96),
                "--look" => asked.look = Some(value.into()),
                "--write" => asked.write = Some(value.into()),
                "--results" => asked.results = Some(value.into()),
                _ => return Err(format!("{word}: not known")),
            }
        }
        Ok(Some(asked))
    }

    /// A case as it was asked for.
    pub fn made(&self, kind: Kind, level: Level, seed: u32) -> Case {
        let mut case = cases::made(kind, level, seed, self.size);
        if self.converted {
            case = case.converted();
        }
        if self.graded {
            case = case.graded();
        }
        case
    }

    pub fn motion_name(&self) -> &'static str {
        match self.motion {
            Motion::Shift => "shift",
            Motion::Similarity => "similarity",
            Motion::Perspective => "perspective",
        }
    }

    pub fn cases(&self) -> Vec<(Kind, Level, u32)> {
        let mut cases = Vec::new();
        for &level in &self.levels {
            for &kind in &self.kinds {
                cases.extend(self.seeds.clone().map(|seed| (kind, level, seed)));
            }
        }
        cases
    }
}

fn listed<T: Copy>(
    text: &str,
    all: &[T],
    name: impl Fn(T) -> &'static str,
) -> Result<Vec<T>, String> {
    text.split(',')
        .map(|word| {
            let known: Vec<&str> = all.iter().map(|&t| name(t)).collect();
            all.iter()
                .copied()
                .find(|&t| name(t) == word)
                .ok_or_else(|| format!("{word}: one of {}", known.join(" ")))
        })
        .collect()
}
