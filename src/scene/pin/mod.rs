//! Settled values written into a scene's text, as arguments of the element they belong to.
//!
//! Promise: nothing but the stated nodes changes, comments and layout stay. A node that is there gets new arguments;
//! one that is not is put behind `frame`, on its line or a line of its own, as its neighbours stand. What a
//! parameter decides is told apart, so that one product's numbers never become every product's.

mod place;

use super::syntax;
use super::tree::{Kind, Node, Value};
use crate::diag::{Finding, SourceId, Span};

/// A text about to be pinned.
#[derive(Debug)]
pub struct PinnedText<'t> {
    text: &'t str,
    nodes: Vec<Node>,
    edits: Vec<Edit>,
}

/// Bytes `start..end` replaced by `new`; insertions at one place keep their order.
#[derive(Debug)]
struct Edit {
    start: usize,
    end: usize,
    new: String,
}

impl<'t> PinnedText<'t> {
    /// Parses a text that was read before; its findings are those of its syntax.
    pub fn new(text: &'t str, source: SourceId) -> Result<PinnedText<'t>, Vec<Finding>> {
        Ok(PinnedText {
            text,
            nodes: syntax::parsed(text, source)?,
            edits: Vec::new(),
        })
    }

    /// Where a parameter decides what element `name` (the place of its name) is cut out of and how, if one does.
    pub fn parameter(&self, name: Span) -> Option<Span> {
        let element = element(&self.nodes, name)?;
        let deciding = ["frame", "mask", "align", "balance"];
        let named = |node: &&Node| deciding.contains(&node.name.as_str());
        let nodes = element.children().iter().filter(named);
        nodes
            .filter_map(parameter)
            .next()
            .or_else(|| plate_named(element))
    }

    /// Whether the element has a node or a property of its own of that name.
    pub fn says(&self, name: Span, word: &str) -> bool {
        element(&self.nodes, name).is_some_and(|e| {
            e.children().iter().any(|child| child.name == word)
                || e.props.iter().any(|prop| prop.name == word)
        })
    }

    /// Where a parameter decides a mask, alignment or balance that an `each` of this text gives.
    pub fn parameter_of_each(&self) -> Option<Span> {
        found(&self.nodes, &|node| {
            let deciding = ["mask", "align", "balance"];
            let named = |child: &&Node| deciding.contains(&child.name.as_str());
            match node.name.as_str() {
                "each" => node.children().iter().filter(named).find_map(parameter),
                _ => None,
            }
        })
    }

    /// Where a parameter decides which plate governs the members of a group of this text.
    pub fn parameter_of_groups(&self) -> Option<Span> {
        found(&self.nodes, &|node| match node.name.as_str() {
            "group" => plate_named(node),
            _ => None,
        })
    }

    /// Where a parameter decides the plate that names its file at `file`, if this text has it and one does.
    pub fn parameter_of_plate(&self, file: Span) -> Option<Span> {
        found(&self.nodes, &|node| {
            let this = node.name == "plate" && node.args.iter().any(|arg| arg.span == file);
            this.then(|| parameter(node)).flatten()
        })
    }

    /// States `node` with these numbers in the element. False where the text has no such element.
    pub fn state(&mut self, name: Span, node: &str, numbers: &[f64]) -> bool {
        let Some(element) = element(&self.nodes, name) else {
            return false;
        };
        let words = arguments(numbers);
        let own = element.children().iter().find(|child| child.name == node);
        if let Some(own) = own {
            let edit = match (own.args.first(), own.args.last()) {
                (Some(first), Some(last)) => Edit {
                    start: first.span.start as usize,
                    end: last.span.end as usize,
                    new: words,
                },
                _ => Edit {
                    start: own.name_span.end as usize,
                    end: own.name_span.end as usize,
                    new: format!(" {words}"),
                },
            };
            self.edits.push(edit);
            return true;
        }
        let Some(frame) = element.children().iter().find(|c| c.name == "frame") else {
            return false;
        };
        let (at, before) = place::behind(self.text, frame);
        self.edits.push(Edit {
            start: at,
            end: at,
            new: format!("{before}{node} {words}"),
        });
        true
    }

    /// The text with everything stated in place.
    pub fn text(mut self) -> String {
        // Stable: nodes put in at one place stay in the order they were stated.
        self.edits.sort_by_key(|edit| edit.start);
        let mut out = String::with_capacity(self.text.len() + 64 * self.edits.len());
        let mut at = 0;
        for edit in &self.edits {
            out.push_str(&self.text[at..edit.start]);
            out.push_str(&edit.new);
            at = edit.end;
        }
        out.push_str(&self.text[at..]);
        out
    }
}

/// Numbers as arguments: the shortest decimals that read back as the same number.
pub fn arguments(numbers: &[f64]) -> String {
    // Adding zero writes -0 as 0.
    let words: Vec<String> = numbers.iter().map(|n| format!("{}", n + 0.0)).collect();
    words.join(" ")
}

fn element(nodes: &[Node], name: Span) -> Option<&Node> {
    nodes.iter().find_map(|node| match node.name.as_str() {
        "element" if node.args.first().is_some_and(|arg| arg.span == name) => Some(node),
        "group" => element(node.children(), name),
        _ => None,
    })
}

/// What `wanted` finds first in these nodes and the groups among them.
fn found(nodes: &[Node], wanted: &dyn Fn(&Node) -> Option<Span>) -> Option<Span> {
    nodes.iter().find_map(|node| {
        wanted(node).or_else(|| match node.name.as_str() {
            "group" => found(node.children(), wanted),
            _ => None,
        })
    })
}

/// Where a parameter decides the `plate=` of an element or group.
fn plate_named(node: &Node) -> Option<Span> {
    let named = node.props.iter().find(|prop| prop.name == "plate")?;
    from_parameter(&named.value).then_some(named.value.span)
}

/// The first value of a node, or below it, that comes from a parameter.
fn parameter(node: &Node) -> Option<Span> {
    let props = node.props.iter().map(|prop| &prop.value);
    node.args
        .iter()
        .chain(props)
        .find(|value| from_parameter(value))
        .map(|value| value.span)
        .or_else(|| node.children().iter().find_map(parameter))
}

fn from_parameter(value: &Value) -> bool {
    match &value.kind {
        Kind::Param(_) => true,
        // `{{` is the brace itself.
        Kind::Text(text) => text.replace("{{", "").contains('{'),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `text` with `pivot 1.5 2` and, behind it, `align 0 0` stated in its element called "a".
    fn pinned(text: &str) -> String {
        let mut page = PinnedText::new(text, SourceId(0)).unwrap();
        let at = text.find("\"a\"").unwrap() as u32;
        let name = Span {
            source: SourceId(0),
            start: at,
            end: at + 3,
        };
        assert!(page.state(name, "align", &[0.0, -0.0]));
        assert!(page.state(name, "pivot", &[1.5, 2.0]));
        page.text()
    }

    #[test]
    fn nodes_stand_as_their_neighbours_do() {
        let one_line = "element \"a\" { frame \"x.tif\"; offset 1 2 } // far\n";
        insta::assert_snapshot!(pinned(one_line), @r#"element "a" { frame "x.tif"; align 0 0; pivot 1.5 2; offset 1 2 } // far"#);
        let lines = "element \"a\" {\n\t// its frame\n\tframe \"x.tif\" profile=\"srgb\" // best\n\toffset 1 2\n}\n";
        insta::assert_snapshot!(pinned(lines), @r#"
        element "a" {
        	// its frame
        	frame "x.tif" profile="srgb" // best
        	align 0 0
        	pivot 1.5 2
        	offset 1 2
        }
        "#);
        let alone = "element \"a\" { frame \"x.tif\" }";
        insta::assert_snapshot!(pinned(alone), @r#"element "a" { frame "x.tif"; align 0 0; pivot 1.5 2 }"#);
        let shared = "element \"a\" {\n  frame \"x.tif\"; offset 1 2\n  scale 2\n}";
        insta::assert_snapshot!(pinned(shared), @r#"
        element "a" {
          frame "x.tif"; align 0 0; pivot 1.5 2; offset 1 2
          scale 2
        }
        "#);
        let commented = "element \"a\" {\n  frame \"x.tif\" /* two\n  lines */\n  /-pivot 9 9\n}";
        insta::assert_snapshot!(pinned(commented), @r#"
        element "a" {
          frame "x.tif" /* two
          lines */
          align 0 0
          pivot 1.5 2
          /-pivot 9 9
        }
        "#);
    }

    #[test]
    fn a_node_that_is_there_gets_new_arguments() {
        let text = "group \"g\" { element \"a\" { align \"shift\" /* why */; frame \"x.tif\"\n pivot #false // no\n } }";
        insta::assert_snapshot!(pinned(text), @r#"
        group "g" { element "a" { align 0 0 /* why */; frame "x.tif"
         pivot 1.5 2 // no
         } }
        "#);
        // Windows' line ends stay what they are.
        let text = "element \"a\" {\r\n  frame \"x.tif\"\r\n}\r\n";
        assert_eq!(
            pinned(text),
            "element \"a\" {\r\n  frame \"x.tif\"\r\n  align 0 0\r\n  pivot 1.5 2\r\n}\r\n"
        );
    }

    #[test]
    fn numbers_read_back_as_themselves() {
        let numbers = [0.1 + 0.2, 1.0 / 3.0, 5e-324, 123_456.789, 1e-7, -2.5];
        for (word, number) in arguments(&numbers).split(' ').zip(numbers) {
            let Some(super::super::words::Number::Finite(read)) = super::super::words::number(word)
            else {
                panic!("{word}");
            };
            assert_eq!(read.to_bits(), number.to_bits(), "{word}");
        }
    }

    #[test]
    fn what_a_parameter_decides_is_found() {
        let name = |text: &str| {
            let at = text.find("\"a\"").unwrap() as u32;
            Span {
                source: SourceId(0),
                start: at,
                end: at + 3,
            }
        };
        let decided = |text: &str| {
            let page = PinnedText::new(text, SourceId(0)).unwrap();
            (
                page.parameter(name(text)).is_some(),
                page.parameter_of_each().is_some(),
            )
        };
        let element = |inside: &str| format!("element \"a\" {{ {inside} }}");
        assert_eq!(decided(&element("frame \"{ink}.tif\"")), (true, false));
        assert_eq!(decided(&element("frame \"{{ink}}.tif\"")), (false, false));
        let mask = "frame \"a.tif\"; mask { rect 0 0 (param)\"w\" 5 }";
        assert_eq!(decided(&element(mask)), (true, false));
        let turned = "frame \"a.tif\"; rotate (param)\"turn\"";
        assert_eq!(decided(&element(turned)), (false, false));
        let above = "each { mask { image \"{ink}.png\" } }\nelement \"a\" { frame \"a.tif\" }";
        assert_eq!(decided(above), (false, true));
        let named = "element \"a\" plate=\"{which}\" { frame \"a.tif\" }";
        assert_eq!(decided(named), (true, false));
    }

    #[test]
    fn each_plate_is_asked_for_itself() {
        let text = "plate \"{ink}.tif\"\nplate \"day.tif\" name=\"day\"\ngroup \"g\" plate=\"{which}\" { }\n";
        let page = PinnedText::new(text, SourceId(0)).unwrap();
        let at = |words: &str| {
            let start = text.find(words).unwrap() as u32;
            Span {
                source: SourceId(0),
                start,
                end: start + words.len() as u32,
            }
        };
        let (changing, fixed) = (at("\"{ink}.tif\""), at("\"day.tif\""));
        assert_eq!(page.parameter_of_plate(changing), Some(changing));
        assert_eq!(page.parameter_of_plate(fixed), None);
        assert_eq!(page.parameter_of_groups(), Some(at("\"{which}\"")));
    }
}
