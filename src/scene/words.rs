//! Bare words and numbers as KDL 2.0 spells them, and texts as messages show them.

use super::lex::{Fault, Token};

/// A number as a text spelled it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Number {
    Finite(f64),
    /// Too large for the number type: it would be infinite.
    TooLarge,
}

/// What is wrong with a bare word in a value's place.
pub(super) fn bad_value(token: Token, text: &str) -> Option<Fault> {
    let word = &text[token.start..token.end];
    let fault = |message: String, remedy: String| {
        Some(Fault::new(token.start, token.end, message).remedy(remedy))
    };
    if let Some(rest) = word.strip_prefix('#') {
        if matches!(rest, "true" | "false" | "null" | "inf" | "-inf" | "nan") {
            return None;
        }
        let remedy =
            if matches!(rest.len(), 3 | 6 | 8) && rest.bytes().all(|b| b.is_ascii_hexdigit()) {
                format!("put the colour in quotes: \"{word}\"")
            } else {
                "write #true or #false, or put a text in quotes".to_owned()
            };
        return fault(format!("{} is no value", shown(word)), remedy);
    }
    if is_numeric(word) {
        return match number(word) {
            None => fault(
                format!("{} is no number", shown(word)),
                "write digits with a point, such as 0.5 or -12, and leave units away; a text stands in quotes".to_owned(),
            ),
            Some(Number::TooLarge) => Some(
                Fault::new(
                    token.start,
                    token.end,
                    format!("the number {} is too large to be held", shown(word)),
                )
                .remedy("write a smaller number")
                .id("not-finite"),
            ),
            Some(Number::Finite(_)) => None,
        };
    }
    let remedy = bad_name(word)?;
    fault(format!("{} is no bare word", shown(word)), remedy)
}

/// What is wrong with the lines of a text in quotes: in one of several lines, each begins with the white space its
/// closing quotes stand behind. Where a `\` may join lines, the parser judges.
pub(super) fn bad_lines(token: Token, text: &str) -> Option<Fault> {
    let word = &text[token.start..token.end];
    let raw = word.starts_with('#');
    let plain = word.trim_matches('#');
    if raw && plain == "\"\"\"" {
        return Some(
            Fault::new(
                token.start,
                token.end,
                "three quotes begin a text of several lines",
            )
            .remedy("write \"\\\"\" for a quote alone"),
        );
    }
    if !plain.starts_with("\"\"\"") || (!raw && plain.contains('\\')) {
        return None;
    }
    let lines: Vec<&str> = plain.split('\n').collect();
    let [_, body @ .., last] = lines.as_slice() else {
        return None;
    };
    let prefix = last.strip_suffix("\"\"\"")?;
    if !prefix.chars().all(super::lex::is_space) {
        return Some(
            Fault::new(
                token.end - last.len(),
                token.end,
                "the closing quotes of a text of several lines need a line of their own",
            )
            .remedy("put them on the next line"),
        );
    }
    let offset = |line: &str| line.as_ptr().addr() - text.as_ptr().addr();
    let bad = body.iter().find(|line| {
        let line = line.trim_end_matches('\r');
        !line.chars().all(super::lex::is_space) && !line.starts_with(prefix)
    })?;
    let start = offset(bad);
    Some(
        Fault::new(
            start,
            start + bad.len(),
            "this line begins left of the closing quotes of its text",
        )
        .remedy("indent it at least as far as the closing quotes, with the same spaces"),
    )
}

/// What to do about a word that can't be a name without quotes; `None` for a good one.
pub(super) fn bad_name(word: &str) -> Option<String> {
    if matches!(word, "true" | "false" | "null" | "inf" | "-inf" | "nan") {
        return Some(format!("write #{word}, or \"{word}\" for the text"));
    }
    if is_numeric(word) || word.starts_with('#') {
        return Some("write a name that begins with a letter".to_owned());
    }
    if word.contains(['/', '[', ']', '#', '\\', '"']) {
        return Some("put it in quotes".to_owned());
    }
    None
}

/// Begins as a number does: a digit, or a point before one, after a sign or not.
fn is_numeric(word: &str) -> bool {
    let rest = word.strip_prefix(['+', '-']).unwrap_or(word);
    let rest = rest.strip_prefix('.').unwrap_or(rest);
    rest.starts_with(|c: char| c.is_ascii_digit())
}

/// A KDL number: decimal with a fraction and an exponent, or `0x`, `0o`, `0b`; `_` between digits. `None` if it is none.
/// Whole numbers beyond 127 bits are too large, as they are for the parser.
pub(super) fn number(word: &str) -> Option<Number> {
    let unsigned = word.strip_prefix(['+', '-']).unwrap_or(word);
    let negative = word.starts_with('-');
    for (prefix, radix) in [("0x", 16), ("0o", 8), ("0b", 2)] {
        if let Some(digits) = unsigned.strip_prefix(prefix) {
            let plain = digits_of(digits, radix)?;
            let value = i128::from_str_radix(&plain, radix).ok();
            return Some(whole(value, negative));
        }
    }
    let (mantissa, exponent) = match unsigned.find(['e', 'E']) {
        Some(at) => (&unsigned[..at], Some(&unsigned[at + 1..])),
        None => (unsigned, None),
    };
    let (integer, fraction) = match mantissa.split_once('.') {
        Some((integer, fraction)) => (integer, Some(fraction)),
        None => (mantissa, None),
    };
    let integer = digits_of(integer, 10)?;
    if fraction.is_none() && exponent.is_none() {
        return Some(whole(integer.parse::<i128>().ok(), negative));
    }
    let mut plain = integer;
    if let Some(fraction) = fraction {
        plain = format!("{plain}.{}", digits_of(fraction, 10)?);
    }
    if let Some(exponent) = exponent {
        let digits = exponent.strip_prefix(['+', '-']).unwrap_or(exponent);
        let sign = if exponent.starts_with('-') { "-" } else { "" };
        plain = format!("{plain}e{sign}{}", digits_of(digits, 10)?);
    }
    let value: f64 = plain.parse().ok()?;
    if !value.is_finite() {
        return Some(Number::TooLarge);
    }
    Some(Number::Finite(if negative { -value } else { value }))
}

fn whole(value: Option<i128>, negative: bool) -> Number {
    match value {
        None => Number::TooLarge,
        Some(value) => Number::Finite(if negative {
            -(value as f64)
        } else {
            value as f64
        }),
    }
}

/// Digits without their `_`; the first is a digit.
fn digits_of(text: &str, radix: u32) -> Option<String> {
    let good = text.starts_with(|c: char| c.is_digit(radix))
        && text.chars().all(|c| c == '_' || c.is_digit(radix));
    good.then(|| text.chars().filter(|&c| c != '_').collect())
}

/// A text in a message: in backquotes, without controls, cut where it is long.
pub(super) fn shown(text: &str) -> String {
    format!("`{}`", cut(text))
}

/// As [`shown`], in double quotes.
pub(super) fn quoted(text: &str) -> String {
    format!("\"{}\"", cut(text))
}

/// At most 60 characters of a text, without controls.
pub(super) fn cut(text: &str) -> String {
    const LONGEST: usize = 60;
    let mut out: String = text
        .chars()
        .take(LONGEST)
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect();
    if text.chars().nth(LONGEST).is_some() {
        out.push('…');
    }
    out
}
