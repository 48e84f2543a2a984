//! Fills outlines made of straight edges: the exact area of each pixel that lies inside by the winding rule.
//!
//! Row by row, edges are cut at pixel borders. In a pixel that holds pieces of edges, the pieces' ends and their
//! crossings split it into strips in which no two pieces cross, so a strip's area is its height times its covered
//! length at half height, exactly. Pixels without pieces repeat one value to the next piece.

use rayon::prelude::*;

use super::FillRule;
use super::crossings::{Part, Winding, covered};
use crate::budget::{Account, Charge, OverBudget};
use crate::geom::Rect;
use crate::raster::Matte;

/// Rows filled together by one thread; no value depends on it.
const BAND: usize = 32;

/// Beyond this a coordinate counts as this, so that no product of two overflows or loses its pixel.
const FAR: f64 = 1e12;

/// A straight edge that runs down from (ax, ay) to (bx, by); `turn` is +1 if the outline ran down too, else -1.
#[derive(Clone, Copy, Debug)]
struct Edge {
    ax: f64,
    ay: f64,
    bx: f64,
    by: f64,
    turn: i32,
}

/// The edges of closed outlines that meet the rows of a rectangle.
#[derive(Debug)]
pub(super) struct Edges<'a> {
    list: Vec<Edge>,
    rect: Rect,
    account: &'a Account,
    charge: Option<Charge>,
}

impl<'a> Edges<'a> {
    pub(super) fn new(rect: Rect, account: &'a Account) -> Edges<'a> {
        Edges {
            list: Vec::new(),
            rect,
            account,
            charge: None,
        }
    }

    /// The rows that are wanted, as real numbers.
    pub(super) fn rows(&self) -> (f64, f64) {
        (f64::from(self.rect.y0), f64::from(self.rect.y1))
    }

    /// Adds the edge from `a` to `b`. One that no wanted row meets, lies to the right of them or isn't finite adds
    /// nothing.
    pub(super) fn push(&mut self, a: (f64, f64), b: (f64, f64)) -> Result<(), OverBudget> {
        if ![a.0, a.1, b.0, b.1].iter().all(|v| v.is_finite()) {
            return Ok(());
        }
        let near = |p: (f64, f64)| (p.0.clamp(-FAR, FAR), p.1.clamp(-FAR, FAR));
        let (a, b) = (near(a), near(b));
        let (top, bottom, turn) = if a.1 < b.1 { (a, b, 1) } else { (b, a, -1) };
        let (first, last) = self.rows();
        if top.1 >= bottom.1 || bottom.1 <= first || top.1 >= last {
            return Ok(());
        }
        if top.0.min(bottom.0) >= f64::from(self.rect.x1) {
            return Ok(());
        }
        if self.list.len() == self.list.capacity() {
            let more = self.list.capacity().max(128);
            let bytes = (self.list.capacity() + more) * size_of::<Edge>();
            let charge = self.account.charge(bytes as u64, "edges of a drawn mask")?;
            self.list.reserve_exact(more);
            self.charge = Some(charge);
        }
        self.list.push(Edge {
            ax: top.0,
            ay: top.1,
            bx: bottom.0,
            by: bottom.1,
            turn,
        });
        Ok(())
    }

    /// Coverage of the rectangle the edges were gathered for.
    pub(super) fn filled(&self, rule: FillRule) -> Result<Matte, OverBudget> {
        let mut matte = Matte::filled(self.rect, 0.0, self.account)?;
        let width = matte.width();
        if width == 0 || self.list.is_empty() {
            return Ok(matte);
        }
        let rect = self.rect;
        matte
            .data_mut()
            .par_chunks_mut(width * BAND)
            .enumerate()
            .try_for_each(|(band, rows)| {
                let y0 = rect.y0 + (band * BAND) as i32;
                let (top, bottom) = (f64::from(y0), f64::from(y0) + BAND as f64);
                let met = |e: &&Edge| e.by > top && e.ay < bottom;
                let count = self.list.iter().filter(met).count();
                let bytes = count * (size_of::<Edge>() + 2 * size_of::<Piece>() + 256);
                let _charge = self.account.charge(bytes as u64, "edges of a drawn mask")?;
                let edges: Vec<Edge> = self.list.iter().filter(met).copied().collect();
                for (y, row) in (y0..).zip(rows.chunks_mut(width)) {
                    fill_row(f64::from(y), &edges, rule, rect.x0, row);
                }
                Ok(())
            })?;
        Ok(matte)
    }
}

/// The part of an edge in one row, from (ax, ay) down to (bx, by).
#[derive(Clone, Copy, Debug)]
struct Piece {
    ax: f64,
    ay: f64,
    bx: f64,
    by: f64,
    /// A point of the whole edge and its dy/dx, so that cuts at columns don't depend on the row's own cut.
    origin: (f64, f64),
    rise: f64,
    turn: i32,
    first: i64,
    last: i64,
}

impl Piece {
    fn of(edge: &Edge, y: f64) -> Option<Piece> {
        let (ay, by) = (edge.ay.max(y), edge.by.min(y + 1.0));
        if ay >= by {
            return None;
        }
        let (dx, dy) = (edge.bx - edge.ax, edge.by - edge.ay);
        let (low, high) = (edge.ax.min(edge.bx), edge.ax.max(edge.bx));
        let x_at = |at: f64| (edge.ax + dx * ((at - edge.ay) / dy)).clamp(low, high);
        let ax = if ay == edge.ay { edge.ax } else { x_at(ay) };
        let bx = if by == edge.by { edge.bx } else { x_at(by) };
        Some(Piece {
            ax,
            ay,
            bx,
            by,
            origin: (edge.ax, edge.ay),
            rise: if dx == 0.0 { 0.0 } else { dy / dx },
            turn: edge.turn,
            first: ax.min(bx).floor() as i64,
            last: ax.max(bx).floor() as i64,
        })
    }

    /// Where the piece passes x = `column`.
    fn y_at(&self, column: i64) -> f64 {
        let y = self.origin.1 + (column as f64 - self.origin.0) * self.rise;
        y.clamp(self.ay, self.by)
    }

    /// The piece inside one of its columns.
    fn in_column(&self, column: i64) -> Part {
        let (left, right) = (column as f64, column as f64 + 1.0);
        let (to_left, to_right) = (column > self.first, column < self.last);
        let rightward = self.bx >= self.ax;
        let (cut_top, cut_bottom) = if rightward {
            (to_left.then_some(column), to_right.then_some(column + 1))
        } else {
            (to_right.then_some(column + 1), to_left.then_some(column))
        };
        Part {
            ax: self.ax.clamp(left, right) - left,
            ay: cut_top.map_or(self.ay, |at| self.y_at(at)),
            bx: self.bx.clamp(left, right) - left,
            by: cut_bottom.map_or(self.by, |at| self.y_at(at)),
            turn: self.turn,
        }
    }

    /// The rows the piece spans left of a column.
    fn left_of(&self, column: i64) -> (f64, f64) {
        if self.last < column {
            (self.ay, self.by)
        } else if self.bx >= self.ax {
            (self.ay, self.y_at(column))
        } else {
            (self.y_at(column), self.by)
        }
    }
}

fn fill_row(y: f64, edges: &[Edge], rule: FillRule, x0: i32, row: &mut [f32]) {
    let start = i64::from(x0);
    let end = start + row.len() as i64;
    let mut winding = Winding::new(y, rule);
    let mut pieces: Vec<Piece> = Vec::new();
    for piece in edges.iter().filter_map(|edge| Piece::of(edge, y)) {
        if piece.first < start {
            let (from, to) = piece.left_of(start);
            winding.add(from, to, piece.turn);
        }
        if piece.last >= start && piece.first < end {
            pieces.push(piece);
        }
    }
    pieces.sort_by_key(|piece| piece.first);
    let mut waiting = pieces.iter().peekable();
    let mut active: Vec<&Piece> = Vec::new();
    let mut parts: Vec<Part> = Vec::new();
    let mut column = start;
    while column < end {
        while let Some(piece) = waiting.next_if(|piece| piece.first <= column) {
            active.push(piece);
        }
        if active.is_empty() {
            let next = waiting.peek().map_or(end, |piece| piece.first.min(end));
            let value = winding.share();
            row[(column - start) as usize..(next - start) as usize].fill(value);
            column = next;
            continue;
        }
        parts.clear();
        parts.extend(active.iter().map(|piece| piece.in_column(column)));
        parts.retain(|part| part.ay < part.by);
        row[(column - start) as usize] = covered(&winding, &parts);
        for part in &parts {
            winding.add(part.ay, part.by, part.turn);
        }
        column += 1;
        active.retain(|piece| piece.last >= column);
    }
}
