//! Prints a mask's coverage, for programs outside the project to compare with.
//!
//! `coverage X Y WIDTH HEIGHT` reads a mask from standard input, one word list a line: `keep`, `within` and `cut` open
//! a block, sources fill it, other lines are steps. Standard output gets little-endian floats, row by row.
//! Sources: `all`, `rect x y w h`, `ellipse cx cy rx ry`, `polygon RULE x y ...`, `path RULE DATA`,
//! `line CAP width x y ...`, `given FILE x y w h` (floats as written here).

use std::io::{Read, Write};
use std::sync::Arc;

use platewright::budget::Account;
use platewright::geom::Rect;
use platewright::mask::{Cap, FillRule, Layer, Program, Source, Step};
use platewright::raster::Matte;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let place: Vec<f64> = numbers(arguments.iter().map(String::as_str));
    let space = rect(&place);
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text).expect("text");
    let account = Account::new(1 << 30);
    let matte = program(&text, &account)
        .coverage(space, space, &account)
        .expect("a mask that fits in 1 GiB");
    let bytes: Vec<u8> = matte.data().iter().flat_map(|c| c.to_le_bytes()).collect();
    std::io::stdout()
        .write_all(&bytes)
        .expect("a place to write to");
}

fn program(text: &str, account: &Account) -> Program {
    let mut steps = Vec::new();
    for line in text.lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        let Some((name, rest)) = words.split_first() else {
            continue;
        };
        match *name {
            "keep" => steps.push(Step::Keep(Vec::new())),
            "within" => steps.push(Step::Within(Vec::new())),
            "cut" => steps.push(Step::Cut(Vec::new())),
            "invert" => steps.push(Step::Invert),
            "feather" => steps.push(Step::Feather(numbers(rest.iter().copied())[0])),
            "dilate" => steps.push(Step::Dilate(numbers(rest.iter().copied())[0])),
            "erode" => steps.push(Step::Erode(numbers(rest.iter().copied())[0])),
            "ramp" => {
                let ends = numbers(rest.iter().copied());
                steps.push(Step::Ramp(ends[0], ends[1]));
            }
            _ => {
                let Some(Step::Keep(block) | Step::Within(block) | Step::Cut(block)) =
                    steps.last_mut()
                else {
                    panic!("`{name}` is no step and stands in no block");
                };
                block.push(Layer {
                    source: source(name, rest, account),
                    feather: 0.0,
                });
            }
        }
    }
    Program { steps }
}

fn source(name: &str, rest: &[&str], account: &Account) -> Source {
    let from = |k: usize| numbers(rest[k..].iter().copied());
    match name {
        "all" => Source::All,
        "rect" => Source::Rect {
            x: from(0)[0],
            y: from(0)[1],
            width: from(0)[2],
            height: from(0)[3],
        },
        "ellipse" => Source::Ellipse {
            cx: from(0)[0],
            cy: from(0)[1],
            rx: from(0)[2],
            ry: from(0)[3],
        },
        "polygon" => Source::Polygon {
            points: pairs(&from(1)),
            rule: rule(rest[0]),
        },
        "path" => Source::Path {
            path: kurbo::BezPath::from_svg(&rest[1..].join(" ")).expect("path data"),
            rule: rule(rest[0]),
        },
        "line" => Source::Line {
            points: pairs(&from(2)),
            width: from(1)[0],
            cap: match rest[0] {
                "round" => Cap::Round,
                _ => Cap::Butt,
            },
        },
        "given" => Source::Given(Arc::new(given(rest[0], rect(&from(1)), account))),
        _ => panic!("`{name}` is no source"),
    }
}

fn given(file: &str, rect: Rect, account: &Account) -> Matte {
    let bytes = std::fs::read(file).expect("a file of floats");
    let mut matte = Matte::filled(rect, 0.0, account).expect("a raster that fits");
    assert_eq!(bytes.len(), matte.data().len() * 4);
    for (value, bytes) in matte.data_mut().iter_mut().zip(bytes.chunks_exact(4)) {
        *value = f32::from_le_bytes(bytes.try_into().expect("four bytes"));
    }
    matte
}

fn rule(word: &str) -> FillRule {
    match word {
        "nonzero" => FillRule::Nonzero,
        _ => FillRule::EvenOdd,
    }
}

fn numbers<'a>(words: impl Iterator<Item = &'a str>) -> Vec<f64> {
    words.map(|word| word.parse().expect("a number")).collect()
}

fn pairs(numbers: &[f64]) -> Vec<(f64, f64)> {
    numbers.chunks_exact(2).map(|p| (p[0], p[1])).collect()
}

fn rect(place: &[f64]) -> Rect {
    Rect::new(
        place[0] as i32,
        place[1] as i32,
        place[2] as u32,
        place[3] as u32,
    )
}
