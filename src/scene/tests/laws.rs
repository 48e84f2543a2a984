//! What holds for every text: formatting keeps meaning and is done after one time; blanking hides nothing the KDL
//! parser would have seen.

use super::example;
use crate::diag::SourceId;
use crate::scene::tree::Node;
use crate::scene::{formatted, syntax};
use kdl::{KdlDocument, KdlNode, KdlValue};
use proptest::prelude::*;

/// Nodes without their places.
fn bare(nodes: &[Node]) -> String {
    let mut out = String::new();
    for node in nodes {
        let args: Vec<_> = node.args.iter().map(|value| &value.kind).collect();
        let props: Vec<_> = node
            .props
            .iter()
            .map(|prop| (&prop.name, &prop.value.kind))
            .collect();
        let children = node.children.as_deref().map(bare);
        out.push_str(&format!(
            "{:?} {args:?} {props:?} {children:?}\n",
            node.name
        ));
    }
    out
}

fn meaning(text: &str) -> String {
    match syntax::parsed(text, SourceId(0)) {
        Ok(nodes) => bare(&nodes),
        Err(findings) => panic!("{findings:?}\n{text}"),
    }
}

/// A space, a comment, a joined line: anything that may stand between two values.
fn gap() -> impl Strategy<Value = String> {
    prop_oneof![
        6 => Just(" ".to_owned()),
        1 => Just("   ".to_owned()),
        1 => Just("\t".to_owned()),
        1 => Just(" /* c */ ".to_owned()),
        1 => Just(" /* a /* b */ */ ".to_owned()),
        1 => Just(" \\\n  ".to_owned()),
        1 => Just(" \\ // why\r\n ".to_owned()),
        1 => Just(" /-4 ".to_owned()),
        1 => Just(" /- x=\"4\" ".to_owned()),
    ]
}

fn value() -> impl Strategy<Value = String> {
    prop_oneof![
        Just("12".to_owned()),
        Just("-0.50".to_owned()),
        Just("1_000e-2".to_owned()),
        Just("0xff".to_owned()),
        Just("#true".to_owned()),
        Just("\"a.tif\"".to_owned()),
        Just("\"// {no} /* comment; \\\" \\\\ \\u{a9}\"".to_owned()),
        Just("#\"raw \\ \" quote\"#".to_owned()),
        Just("##\"a\"#b\"##".to_owned()),
        Just("bare-word".to_owned()),
        Just("(param)\"ink\"".to_owned()),
        Just("( param ) \"ink\"".to_owned()),
        Just("\"\"\"\n  one\n    two\n  \"\"\"".to_owned()),
        Just("#\"\"\"\n{ a // b\n\"\"\"#".to_owned()),
    ]
}

fn entry() -> impl Strategy<Value = String> {
    prop_oneof![
        3 => value(),
        1 => value().prop_map(|value| format!("key={value}")),
        1 => value().prop_map(|value| format!("\"a key\" = {value}")),
    ]
}

fn ending() -> impl Strategy<Value = String> {
    prop_oneof![
        4 => Just("\n".to_owned()),
        1 => Just("\r\n".to_owned()),
        1 => Just("\n\n\n".to_owned()),
        1 => Just("   // end\n".to_owned()),
        1 => Just(" /* end */\n // alone\n".to_owned()),
    ]
}

fn head() -> impl Strategy<Value = String> {
    (
        prop_oneof![
            Just("a"),
            Just("\"b c\""),
            Just("long-name-of-a-node"),
            Just("é")
        ],
        prop::collection::vec((gap(), entry()), 0..6),
    )
        .prop_map(|(name, entries)| {
            let entries: String = entries
                .into_iter()
                .map(|(gap, entry)| gap + &entry)
                .collect();
            format!("{name}{entries}")
        })
}

fn node(ending: impl Strategy<Value = String> + Clone + 'static) -> impl Strategy<Value = String> {
    head().prop_recursive(4, 24, 5, move |inner| {
        (
            head(),
            prop_oneof![Just(""), Just(" "), Just(" // opening\n"), Just("\n\n")],
            prop::collection::vec((inner, ending.clone()), 0..5),
            prop_oneof![4 => Just(""), 1 => Just("// last\n")],
        )
            .prop_map(|(head, open, nodes, last)| {
                let nodes: String = nodes.into_iter().map(|(node, end)| node + &end).collect();
                format!("{head} {{{open}{nodes}{last}}}")
            })
    })
}

fn document() -> impl Strategy<Value = String> {
    // Nodes after a `;` on one line too, and left out by a slashdash there.
    let ending = prop_oneof![
        3 => ending(),
        1 => Just("; ".to_owned()),
        1 => Just("; /-gone 5 { x }; ".to_owned()),
        1 => Just("\n/- gone 1 {\n y\n}\n".to_owned()),
    ]
    .boxed();
    prop::collection::vec((node(ending.clone()), ending), 0..6)
        .prop_map(|nodes| nodes.into_iter().map(|(node, end)| node + &end).collect())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn formatting_keeps_meaning_and_is_done_after_one_time(text in document()) {
        let once = formatted(&text).unwrap();
        prop_assert_eq!(meaning(&once), meaning(&text), "\n{}\n---\n{}", text, once);
        let twice = formatted(&once).unwrap();
        prop_assert_eq!(twice, once);
        // Every comment is still there.
        let count = |text: &str| ["// end", "/* end */", "// alone", "// opening", "// last", "// why", "/* c */"]
            .map(|comment| text.matches(comment).count());
        let once = formatted(&text).unwrap();
        prop_assert_eq!(count(&once), count(&text));
    }

    /// The KDL parser reads the text as it stands; we read it with comments and slashdashes blanked.
    #[test]
    fn blanking_hides_nothing(
        nodes in prop::collection::vec((node(ending().boxed()), ending()), 0..6)
    ) {
        let text: String = nodes.into_iter().map(|(node, end)| node + &end).collect();
        if let Ok(document) = KdlDocument::parse_v2(&text) {
            prop_assert_eq!(meaning(&text), outside(document.nodes()), "{}", text);
        }
    }

    /// No text whatever brings the reader down.
    #[test]
    fn no_text_brings_it_down(text in "[a-c \\n\\r;{}()=/\\-*\\\\\"#0-9._é]{0,60}") {
        let _ = super::read_text(&text);
        if let Ok(once) = formatted(&text) {
            prop_assert_eq!(formatted(&once).unwrap(), once.clone(), "{:?}", text);
            prop_assert_eq!(meaning(&once), meaning(&text));
        }
    }
}

/// As [`bare`], of the KDL parser's own tree.
fn outside(nodes: &[KdlNode]) -> String {
    use crate::scene::tree::Kind;
    let mut out = String::new();
    let kind = |entry: &kdl::KdlEntry| match entry.value() {
        KdlValue::String(text) if entry.ty().is_some() => Kind::Param(text.clone()),
        KdlValue::String(text) => Kind::Text(text.clone()),
        KdlValue::Bool(flag) => Kind::Flag(*flag),
        KdlValue::Integer(number) => {
            Kind::Number(*number as f64, entry.format().unwrap().value_repr.clone())
        }
        KdlValue::Float(number) => {
            Kind::Number(*number, entry.format().unwrap().value_repr.clone())
        }
        KdlValue::Null => Kind::Null,
    };
    for node in nodes {
        let args: Vec<_> = node
            .entries()
            .iter()
            .filter(|entry| entry.name().is_none())
            .map(kind)
            .collect();
        let props: Vec<_> = node
            .entries()
            .iter()
            .filter_map(|entry| Some((entry.name()?.value(), kind(entry))))
            .collect();
        let children = node.children().map(|document| outside(document.nodes()));
        out.push_str(&format!(
            "{:?} {args:?} {props:?} {children:?}\n",
            node.name().value()
        ));
    }
    out
}

#[test]
fn the_page_keeps_its_meaning() {
    for text in [example::PAGE.to_owned(), example::built()] {
        let once = formatted(&text).unwrap();
        assert_eq!(meaning(&once), meaning(&text));
        assert_eq!(formatted(&once).unwrap(), once);
    }
}
