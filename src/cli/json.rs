//! Findings and results as JSON, one object on standard output.

use crate::diag::{Finding, Place, Severity, Sources, Space, Span};
use serde_json::{Map, Value, json};

/// `{"findings": [...], ...}`; `more` adds what a verb has besides.
pub(super) fn report(findings: &[Finding], sources: &Sources, more: Map<String, Value>) -> Value {
    let stopped = findings.iter().any(|f| f.severity == Severity::Stop);
    let mut object = Map::new();
    object.insert("ok".into(), Value::Bool(!stopped));
    object.insert(
        "findings".into(),
        findings.iter().map(|f| finding(f, sources)).collect(),
    );
    object.extend(more);
    Value::Object(object)
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
    let r = place.rect;
    json!({ "space": space, "x": r.x0, "y": r.y0, "width": r.width(), "height": r.height() })
}
