//! Findings as text for a person at a terminal.

use super::{Finding, Severity, Sources, Span};
use std::fmt::Write as _;

/// Whether ANSI colours go into the text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Colours {
    Plain,
    Ansi,
}

/// One finding as several lines, ending in a newline: a headline, the place with its source line and a marker
/// under it, then what is allowed, the nearest name and the remedy.
pub fn rendered(finding: &Finding, sources: &Sources, colours: Colours) -> String {
    let mut out = headline(finding, &finding.message, colours);
    if let Some(span) = finding.span {
        push_place(&mut out, sources, span, "");
    }
    for (span, words) in &finding.related {
        push_place(&mut out, sources, *span, words);
    }
    let about = [
        ("frame", finding.frame.clone()),
        ("member", finding.member.clone()),
        ("output", finding.output.clone()),
        (
            "place",
            finding.place.map(|p| {
                let r = p.rect;
                format!(
                    "{} x {} px at {},{} of the {}",
                    r.width(),
                    r.height(),
                    r.x0,
                    r.y0,
                    match p.space {
                        super::Space::Canvas => "canvas",
                        super::Space::Frame => "frame",
                        super::Space::Output => "output",
                    }
                )
            }),
        ),
        ("allowed", finding.allowed.clone()),
        ("nearest", finding.nearest.clone()),
        ("do", finding.remedy.clone()),
    ];
    for (label, value) in about {
        if let Some(value) = value {
            let _ = writeln!(out, "  {label}: {value}");
        }
    }
    out
}

/// What is wrong and how much it matters, on a line.
fn headline(finding: &Finding, message: &str, colours: Colours) -> String {
    let (tint, bold, plain) = match (colours, finding.severity) {
        (Colours::Plain, _) => ("", "", ""),
        (Colours::Ansi, Severity::Stop) => ("\x1b[1;31m", "\x1b[1m", "\x1b[0m"),
        (Colours::Ansi, Severity::Look) => ("\x1b[1;33m", "\x1b[1m", "\x1b[0m"),
        (Colours::Ansi, Severity::Note) => ("\x1b[1;36m", "\x1b[1m", "\x1b[0m"),
    };
    format!(
        "{tint}{}{plain} {bold}{message}{plain} [{}]\n",
        finding.severity.word(),
        finding.id
    )
}

/// Every finding, in order, each with an empty line behind it. Those that can be told together are, where the first
/// of them stands.
pub fn all_rendered(findings: &[Finding], sources: &Sources, colours: Colours) -> Vec<String> {
    let alike = |one: &Finding, other: &Finding| {
        let words = |f: &Finding| f.together.as_ref().map(|t| t.words);
        one.id == other.id && one.severity == other.severity && words(one) == words(other)
    };
    let mut texts = Vec::new();
    for (k, finding) in findings.iter().enumerate() {
        let Some(together) = &finding.together else {
            texts.push(rendered(finding, sources, colours));
            continue;
        };
        if findings[..k].iter().any(|before| alike(before, finding)) {
            continue;
        }
        let mut fellows: Vec<&Finding> =
            findings[k..].iter().filter(|f| alike(f, finding)).collect();
        // As the scene names them.
        fellows.sort_by_key(|f| f.span);
        if fellows.len() == 1 {
            texts.push(rendered(finding, sources, colours));
            continue;
        }
        let message = format!("{} {}", fellows.len(), together.words);
        let names: Vec<String> = fellows.iter().map(|f| name(f)).collect();
        let mut out = headline(finding, &message, colours);
        let _ = writeln!(out, "  of: {}", names.join(", "));
        let _ = writeln!(out, "  do: {}", together.remedy);
        texts.push(out);
    }
    texts
}

/// One of several: whose it is, and what tells it from the others.
fn name(finding: &Finding) -> String {
    let whose = finding.member.as_deref().or(finding.frame.as_deref());
    let each = finding.together.as_ref().map_or("", |t| t.each.as_str());
    let words = [whose.unwrap_or_default(), each];
    words.join(" ").trim().to_owned()
}

/// `file:line:column`, the line itself and a marker under the span. Columns count characters from 1.
fn push_place(out: &mut String, sources: &Sources, span: Span, words: &str) {
    let Some(source) = sources.get(span.source) else {
        return;
    };
    let text = &*source.text;
    let start = source.floor(span.start as usize);
    let line_start = text[..start].rfind('\n').map_or(0, |k| k + 1);
    let line_end = text[start..].find('\n').map_or(text.len(), |k| start + k);
    let line = text[line_start..line_end].trim_end_matches('\r');
    let (number, column) = source.line_and_column(start);
    let end = source.floor(span.end as usize).clamp(start, line_end);
    let marked = text[start..end].chars().count().max(1);
    let _ = writeln!(out, "  at {}:{number}:{column}", source.name);
    // A very long line is cut around the mark, so that a hostile file can't flood the terminal.
    const WIDTH: usize = 160;
    let skip = column.saturating_sub(WIDTH / 2);
    let shown: String = line
        .chars()
        .skip(skip)
        .take(WIDTH)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    let mark = "^".repeat(marked.min(WIDTH.saturating_sub(column - 1 - skip)).max(1));
    let gutter = number.to_string();
    let _ = writeln!(out, "  {gutter} | {shown}");
    let _ = write!(
        out,
        "  {} | {}{mark}",
        " ".repeat(gutter.len()),
        " ".repeat(column - 1 - skip)
    );
    if words.is_empty() {
        out.push('\n');
    } else {
        let _ = writeln!(out, " {words}");
    }
}

#[cfg(test)]
mod tests {
    use super::super::SourceId;
    use super::*;

    #[test]
    fn a_finding_reads_as_a_person_would_say_it() {
        let mut sources = Sources::default();
        let text = "scene \"a\" language=1\nelement \"ä\" opacty=0.5 {\n}\n";
        let id = sources.add("a.kdl".into(), text.into());
        let start = text.find("opacty").unwrap() as u32;
        let finding = Finding::stop("unknown-property", "`opacty` is no property of an element")
            .at(Span {
                source: id,
                start,
                end: start + 6,
            })
            .allowed("order, opacity, blend, in, off, plate")
            .nearest(Some("opacity"));
        assert_eq!(
            rendered(&finding, &sources, Colours::Plain),
            "stop `opacty` is no property of an element [unknown-property]\n  at a.kdl:2:13\n  2 | element \"ä\" opacty=0.5 {\n    |             ^^^^^^\n  allowed: order, opacity, blend, in, off, plate\n  nearest: opacity\n"
        );
    }

    #[test]
    fn several_of_a_kind_are_told_as_one() {
        let one = |member: &str, each: &str| {
            Finding::note("turns", format!("{member} turns"))
                .member(member)
                .remedy("hold it")
                .together("members turn", each, "hold them")
        };
        let look = Finding::look("other", "something else");
        let told = |findings: &[Finding]| {
            all_rendered(findings, &Sources::default(), Colours::Plain).join("\n")
        };
        let both = [one("a", "1, 2"), look.clone(), one("g/b", "")];
        assert_eq!(
            told(&both),
            "note 2 members turn [turns]\n  of: a 1, 2, g/b\n  do: hold them\n\nlook something else [other]\n"
        );
        // One alone is told as it is.
        assert_eq!(
            told(&[look, one("a", "1, 2")]),
            "look something else [other]\n\nnote a turns [turns]\n  member: a\n  do: hold it\n"
        );
    }

    #[test]
    fn a_span_outside_the_text_does_not_panic() {
        let mut sources = Sources::default();
        let id = sources.add("b.kdl".into(), "ä".into());
        for (start, end) in [(0, 9), (1, 1), (7, 3)] {
            let finding = Finding::stop("x", "y").at(Span {
                source: id,
                start,
                end,
            });
            assert!(rendered(&finding, &sources, Colours::Plain).contains("b.kdl:1:"));
        }
        let lost = Finding::stop("x", "y").at(Span {
            source: SourceId(9),
            start: 0,
            end: 1,
        });
        assert!(!rendered(&lost, &sources, Colours::Plain).contains("at "));
    }
}
