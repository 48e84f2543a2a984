//! The nearest known name to one that was mistyped.

/// Longer names are not compared: nobody means one of ours by them.
const LONGEST: usize = 48;

/// The known name nearest to `word`, if it is near enough to be meant: a third of the letters may differ, a swap of
/// neighbours counting as one. The first of equals wins.
pub(super) fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let letters: Vec<char> = word
        .chars()
        .take(LONGEST + 1)
        .flat_map(char::to_lowercase)
        .collect();
    if letters.len() > LONGEST {
        return None;
    }
    let mut best: Option<(usize, &str)> = None;
    for name in known {
        let other: Vec<char> = name.chars().take(LONGEST + 1).collect();
        if other.len() > LONGEST || name == word {
            continue;
        }
        let far = distance(&letters, &other);
        let limit = (letters.len().max(other.len()) + 1) / 3;
        if far <= limit.max(1) && far < other.len() && best.is_none_or(|(least, _)| far < least) {
            best = Some((far, name));
        }
    }
    best.map(|(_, name)| name)
}

/// Optimal string alignment: insertions, deletions, replacements and swaps of neighbours.
fn distance(a: &[char], b: &[char]) -> usize {
    let mut before: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let change = usize::from(a[i - 1] != b[j - 1]);
            row[j] = (last[j] + 1).min(row[j - 1] + 1).min(last[j - 1] + change);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before[j - 2] + 1);
            }
        }
        before = std::mem::replace(&mut last, row);
    }
    last[b.len()]
}

/// Where a node of the language stands, for one that was written elsewhere.
pub(super) fn home_of_node(name: &str) -> Option<&'static str> {
    const HOMES: [(&str, &str); 53] = [
        (
            "scene",
            "`scene` stands once, as the first node of the file",
        ),
        ("title", "`title \"...\"` stands in `scene`"),
        ("creator", "`creator \"...\"` stands in `scene`"),
        ("rights", "`rights \"...\"` stands in `scene`"),
        ("param", "`param \"name\" \"default\"` stands at the top"),
        (
            "include",
            "`include \"file.kdl\"` stands at the top, in a group or in an output",
        ),
        (
            "plate",
            "`plate \"file\"` stands at the top; on an element it is a property, plate=\"name\"",
        ),
        (
            "canvas",
            "`canvas width height` stands at the top or in an output",
        ),
        (
            "extend",
            "`extend \"reflect\"` stands at the top or in an output",
        ),
        (
            "backdrop",
            "`backdrop \"#rrggbb\"` stands at the top; an output has `background`",
        ),
        ("working", "`working \"plate\"` stands at the top"),
        (
            "correct",
            "`correct { ... }` stands at the top, in an element, a group or an output",
        ),
        ("exposure", "`exposure stops` stands in `correct { ... }`"),
        ("gain", "`gain r g b` stands in `correct { ... }`"),
        ("mired", "`mired m` stands in `correct { ... }`"),
        ("saturate", "`saturate k` stands in `correct { ... }`"),
        (
            "hue-rotate",
            "`hue-rotate degrees` stands in `correct { ... }`",
        ),
        (
            "guide",
            "`guide x=\"1/3 2/3\"` stands at the top or in an output",
        ),
        (
            "safe",
            "`safe \"action\"` stands at the top or in an output",
        ),
        ("protect", "`protect \"name\" { ... }` stands at the top"),
        ("series", "`series \"products.csv\"` stands at the top"),
        ("row", "`row \"value\" { ... }` stands at the top"),
        ("each", "`each { ... }` stands at the top or in a group"),
        (
            "group",
            "`group \"name\" { ... }` stands at the top or in a group",
        ),
        (
            "element",
            "`element \"name\" { ... }` stands at the top or in a group",
        ),
        ("frame", "`frame \"file\"` stands in an element"),
        ("align", "`align` stands in an element or in `each`"),
        ("balance", "`balance` stands in an element or in `each`"),
        ("mend", "`mend { areas }` stands in an element or in `each`"),
        (
            "defocus",
            "`defocus radius` stands in an element or in `each`",
        ),
        (
            "offset",
            "`offset dx dy` stands in an element, a group or `each`",
        ),
        ("scale", "`scale s` stands in an element, a group or `each`"),
        (
            "rotate",
            "`rotate degrees` stands in an element, a group or `each`",
        ),
        (
            "flip",
            "`flip \"horizontal\"` stands in an element, a group or `each`",
        ),
        (
            "pivot",
            "`pivot x y` stands in an element, a group or `each`",
        ),
        (
            "resample",
            "`resample \"lanczos3\"` stands in an element or in `each`",
        ),
        (
            "behind",
            "`behind \"mask\"` stands in an element or in `each`",
        ),
        ("shadow", "`shadow` stands in an element or in `each`"),
        (
            "mask",
            "`mask { ... }` stands in an element, a group or `each`; a named one at the top",
        ),
        ("output", "`output \"name\" { ... }` stands at the top"),
        ("file", "`file \"out/name.tif\"` stands in an output"),
        ("crop", "`crop` stands in an output"),
        ("bleed", "`bleed` stands in an output"),
        ("size", "`size` stands in an output"),
        (
            "profile",
            "`profile \"srgb\"` stands in an output; on a frame or plate it is a property",
        ),
        ("depth", "`depth 16` stands in an output"),
        ("quality", "`quality 90` stands in an output"),
        ("background", "`background \"#rrggbb\"` stands in an output"),
        (
            "change",
            "`change \"path\" { ... }` stands in an output or a row",
        ),
        ("nudge", "`nudge dx dy` stands in `change \"path\" { ... }`"),
        ("hide", "`hide \"path\"` stands in an output or a row"),
        ("show", "`show \"path\"` stands in an output or a row"),
        ("member", "`member \"path\"` stands in an output"),
    ];
    HOMES
        .iter()
        .find(|(known, _)| *known == name)
        .map(|(_, home)| *home)
}

/// Which node carries a property, for one that was written as a node.
pub(super) fn home_of_property(name: &str) -> Option<&'static str> {
    match name {
        "order" | "opacity" | "blend" | "in" | "off" => Some("the element or group"),
        "isolate" => Some("the group"),
        "language" => Some("`scene`"),
        "sigma" => Some("`piece`"),
        "strength" => Some("`shadow`"),
        "channel" => Some("`image`"),
        "width" | "cap" => Some("`line`"),
        "rule" => Some("`polygon` or `path`"),
        "unit" => Some("`bleed`"),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_finds_its_name_and_a_stranger_finds_none() {
        let known = ["opacity", "order", "blend", "in", "off", "plate"];
        assert_eq!(nearest("opacty", known), Some("opacity"));
        assert_eq!(nearest("Opactiy", known), Some("opacity"));
        assert_eq!(nearest("oder", known), Some("order"));
        assert_eq!(nearest("rotat", ["rotated", "rotate"]), Some("rotate"));
        assert_eq!(nearest("zebra", known), None);
        assert_eq!(nearest(&"o".repeat(100_000), known), None);
    }

    /// Published worked values: kitten/sitting 3 (Levenshtein); "ca"/"abc" is 3 under optimal string alignment.
    #[test]
    fn distances_are_the_published_ones() {
        let of = |a: &str, b: &str| {
            distance(
                &a.chars().collect::<Vec<_>>(),
                &b.chars().collect::<Vec<_>>(),
            )
        };
        assert_eq!(of("kitten", "sitting"), 3);
        assert_eq!(of("ca", "abc"), 3);
        assert_eq!(of("", "abc"), 3);
    }
}
