//! Items to text.

use super::outline::{Block, Item, Node, Piece};

/// A line is broken beyond this many characters.
const COLUMNS: usize = 100;
const INDENT: usize = 4;

pub(super) fn laid_out(items: &[Item]) -> String {
    let mut page = Page {
        out: String::new(),
        line: 0,
    };
    page.items(items, 0, Lines::AsWritten);
    page.out
}

/// Whether nodes that stood on one line may stay there.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Lines {
    AsWritten,
    OneEach,
}

struct Page {
    out: String,
    /// Where the line being written begins.
    line: usize,
}

impl Page {
    fn indent(&mut self, depth: usize) {
        self.out.extend(std::iter::repeat_n(' ', depth * INDENT));
    }

    fn end_line(&mut self) {
        self.out.push('\n');
        self.line = self.out.len();
    }

    fn push(&mut self, text: &str) {
        self.out.push_str(text);
        if let Some(at) = text.rfind('\n') {
            self.line = self.out.len() - text.len() + at + 1;
        }
    }

    fn column(&self) -> usize {
        self.out[self.line..].chars().count()
    }

    fn items(&mut self, items: &[Item], depth: usize, lines: Lines) {
        let mut at = 0;
        while at < items.len() {
            match &items[at] {
                Item::Empty => {
                    self.end_line();
                    at += 1;
                }
                Item::Comment(text) => {
                    self.indent(depth);
                    self.push(text);
                    self.end_line();
                    at += 1;
                }
                Item::Node(_) => {
                    let row: Vec<&Node> = row(&items[at..], lines);
                    self.row(&row, depth);
                    at += row.len();
                }
            }
        }
    }

    /// Nodes that stood on one line: together if they fit, else a line each.
    fn row(&mut self, row: &[&Node], depth: usize) {
        let flat: Option<Vec<String>> = row.iter().map(|node| flat(node)).collect();
        if let Some(line) = flat.map(|nodes| nodes.join("; "))
            && depth * INDENT + line.chars().count() <= COLUMNS
        {
            self.indent(depth);
            self.push(&line);
            self.trailing(row[row.len() - 1]);
            self.end_line();
            return;
        }
        for node in row {
            self.indent(depth);
            self.node(node, depth);
            self.trailing(node);
            self.end_line();
        }
    }

    fn trailing(&mut self, node: &Node) {
        if let Some(comment) = &node.trailing {
            self.out.extend(std::iter::repeat_n(' ', comment.spaces));
            self.push(&comment.text);
        }
    }

    fn node(&mut self, node: &Node, depth: usize) {
        if let Some(line) = flat(node)
            && self.column() + line.chars().count() <= COLUMNS
        {
            self.push(&line);
            return;
        }
        let mut fresh = true;
        for piece in &node.pieces {
            if !fresh {
                self.push(" ");
            }
            fresh = false;
            match piece {
                Piece::Text(text) => self.push(text),
                Piece::Join(comment) => {
                    self.push("\\");
                    if !comment.is_empty() {
                        self.push(" ");
                        self.push(comment);
                    }
                    self.end_line();
                    self.indent(depth + 1);
                    fresh = true;
                }
                Piece::Block(block) => self.block(block, depth),
            }
        }
    }

    fn block(&mut self, block: &Block, depth: usize) {
        if let Some(line) = flat_block(block)
            && (block.items.is_empty() || self.column() + line.chars().count() <= COLUMNS)
        {
            self.push(&line);
            return;
        }
        self.push(if block.dashed { "/-{" } else { "{" });
        if let Some(comment) = &block.opening {
            self.out.extend(std::iter::repeat_n(' ', comment.spaces));
            self.push(&comment.text);
        }
        self.end_line();
        let lines = if block.tall {
            Lines::AsWritten
        } else {
            Lines::OneEach
        };
        self.items(&block.items, depth + 1, lines);
        self.indent(depth);
        self.push("}");
    }
}

/// The nodes at the beginning of `items` that stood on one line.
fn row(items: &[Item], lines: Lines) -> Vec<&Node> {
    let mut row: Vec<&Node> = Vec::new();
    for item in items {
        match item {
            Item::Node(node) if row.is_empty() || (node.joined && lines == Lines::AsWritten) => {
                row.push(node)
            }
            _ => break,
        }
    }
    row
}

/// A node on one line, without the comment behind it; `None` if it holds a line's end.
fn flat(node: &Node) -> Option<String> {
    let mut out = String::new();
    for piece in &node.pieces {
        if !out.is_empty() {
            out.push(' ');
        }
        match piece {
            Piece::Text(text) if !text.contains('\n') => out.push_str(text),
            Piece::Block(block) => out.push_str(&flat_block(block)?),
            _ => return None,
        }
    }
    Some(out)
}

fn flat_block(block: &Block) -> Option<String> {
    let mark = if block.dashed { "/-" } else { "" };
    if block.opening.is_some() {
        return None;
    }
    if block.items.is_empty() {
        return Some(format!("{mark}{{}}"));
    }
    if block.tall {
        return None;
    }
    let mut out = format!("{mark}{{ ");
    for (k, item) in block.items.iter().enumerate() {
        match item {
            Item::Node(node) => {
                if k > 0 && matches!(block.items[k - 1], Item::Node(_)) {
                    out.push_str("; ");
                } else if k > 0 {
                    out.push(' ');
                }
                out.push_str(&flat(node)?);
            }
            // A comment after the last node, before the brace.
            Item::Comment(text) if !text.contains('\n') && !text.starts_with("//") => {
                if k > 0 {
                    out.push_str(if matches!(block.items[k - 1], Item::Node(_)) {
                        "; "
                    } else {
                        " "
                    });
                }
                out.push_str(text);
            }
            _ => return None,
        }
    }
    out.push_str(" }");
    Some(out)
}
