//! Answers as JSON: one object on standard output, whatever the verb and however it ended. Keys are stable.
//!
//! Always: `verb` (not where the command line itself was wrong), `ok` (nothing stopped it), `exit` (0, 1, 2) and
//! `findings`, each with `severity` (`note`, `look`, `stop`), `id`, `message` and, where known, `at` {`file`, `line`,
//! `column`}, `allowed`, `nearest`, `remedy`, `frame`, `member`, `output`, `place` {`space` (`canvas`, `frame`,
//! `output`), `x`, `y`, `width`, `height`}, `number`, `limit`, `related` [`at` with `words`].
//!
//! And where it came through:
//! * `render`: `files` [{`output`, `file`, `width`, `height`}], and with `--cutouts` `cutouts` [{`member`, `files` as
//!   `cutout` lists them}]
//! * `check`: `scene`, and how many `frames`, `painted-masks` and `outputs` were checked
//! * `explain`: `scene`, `reads` [{`frame`, `width`, `height`, `kind`, `profile`}], `masks` [{`file`, `width`, `height`}],
//!   `pictures` [{`canvas`, `ground`, `back-to-front` [{`member`, `frame`, `lands`, `matrix` (frame to canvas, row by
//!   row), `pivot`, `copies`}]}], `outputs` [{`output`, `file`, `window`, `width`, `height`, `picture`}], `memory` and
//!   `memory-allowed` in bytes, `threads`
//! * `at`: `x`, `y`, `output`, `plate`, `members` front to back [{`member`, `frame`, `x`, `y`, `coverage`, `visible`}]
//! * `fmt`: `files` [{`file`, `differs`, `written`}], and `text` for standard input
//! * `cutout`: `files` [{`file`, and of a picture `width`, `height`}]; what was found stands in the file `cutout.json`
//! * `pin`: `pinned` [{`member`, `file`, `line`, `column` (of the element's name), `node`, `numbers`}], `files` [{`file`,
//!   `written`}]
//! * `completions`, `man`: `text`

use super::answer::Answer;
use crate::diag::{Finding, Place, Sources, Space, Span};
use crate::geom::Rect;
use serde_json::{Map, Value, json};

pub(super) fn object(verb: &str, answer: &Answer) -> Value {
    let mut object = Map::new();
    let code = answer.code();
    object.insert("verb".into(), json!(verb));
    object.insert("ok".into(), json!(code == 0));
    object.insert("exit".into(), json!(code));
    let findings = answer.findings.iter();
    object.insert(
        "findings".into(),
        findings.map(|f| finding(f, &answer.sources)).collect(),
    );
    object.extend(answer.more.clone());
    Value::Object(object)
}

/// A command line that can't be understood, in the words a person would get.
pub(super) fn mistyped(words: &str) -> Value {
    json!({
        "ok": false,
        "exit": 2,
        "findings": [{ "severity": "stop", "id": "command-line", "message": words }],
    })
}

pub(super) fn rect(r: Rect) -> Value {
    json!({ "x": r.x0, "y": r.y0, "width": r.width(), "height": r.height() })
}

fn finding(finding: &Finding, sources: &Sources) -> Value {
    let mut object = Map::new();
    object.insert("severity".into(), json!(finding.severity.word()));
    object.insert("id".into(), json!(finding.id));
    object.insert("message".into(), json!(finding.message));
    if let Some(at) = finding.span.and_then(|s| place_in_text(s, sources)) {
        object.insert("at".into(), at);
    }
    let texts = [
        ("allowed", &finding.allowed),
        ("nearest", &finding.nearest),
        ("remedy", &finding.remedy),
        ("frame", &finding.frame),
        ("member", &finding.member),
        ("output", &finding.output),
    ];
    for (name, text) in texts {
        if let Some(text) = text {
            object.insert(name.into(), json!(text));
        }
    }
    if let Some(place) = finding.place {
        object.insert("place".into(), place_in_picture(place));
    }
    for (name, number) in [("number", finding.number), ("limit", finding.limit)] {
        if let Some(number) = number {
            object.insert(name.into(), json!(number));
        }
    }
    let related: Vec<Value> = finding
        .related
        .iter()
        .filter_map(|(span, words)| {
            let mut at = place_in_text(*span, sources)?;
            at["words"] = json!(words);
            Some(at)
        })
        .collect();
    if !related.is_empty() {
        object.insert("related".into(), Value::Array(related));
    }
    Value::Object(object)
}

fn place_in_text(span: Span, sources: &Sources) -> Option<Value> {
    let source = sources.get(span.source)?;
    let (line, column) = source.line_and_column(span.start as usize);
    Some(json!({ "file": source.name, "line": line, "column": column }))
}

fn place_in_picture(place: Place) -> Value {
    let space = match place.space {
        Space::Canvas => "canvas",
        Space::Frame => "frame",
        Space::Output => "output",
    };
    let mut value = json!({ "space": space });
    if let (Value::Object(object), Value::Object(sides)) = (&mut value, rect(place.rect)) {
        object.extend(sides);
    }
    value
}
