//! Drawn, painted and shaped masks as coverage 0..1; computed sources come in as coverages.
//!
//! A mask is a [`Program`]: steps from top to bottom over one space, the frame or the canvas. Promise: a pixel's value
//! depends on the program and the space alone, never on which part was asked for, nor on threads; drawn edges are
//! exact areas of outlines that stay within 0.0003 px of the true curve. Only the boxes where something happens are
//! computed. It knows no files, no frames and no names: those arrive as [`Source::Given`].

mod crossings;
mod dilate;
mod feather;
mod field;
mod fill;
mod outline;
mod path_data;
mod program;
mod source;
mod stroke;

#[cfg(test)]
mod areas;
#[cfg(test)]
mod laws;

pub use path_data::{PathFault, path_data};

use std::sync::Arc;

use crate::raster::Matte;

/// Which points a self-crossing outline encloses (SVG `fill-rule`).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum FillRule {
    #[default]
    Nonzero,
    EvenOdd,
}

/// How a stroked line ends (SVG `stroke-linecap`).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Cap {
    #[default]
    Round,
    Butt,
}

/// What covers, in pixels of the mask's space. Numbers are finite; a coordinate beyond 10^12 px counts as 10^12.
#[derive(Clone, Debug)]
pub enum Source {
    All,
    Rect {
        x: f64,
        y: f64,
        width: f64,
        height: f64,
    },
    Ellipse {
        cx: f64,
        cy: f64,
        rx: f64,
        ry: f64,
    },
    Polygon {
        points: Vec<(f64, f64)>,
        rule: FillRule,
    },
    /// Open sub-paths are closed with a straight line.
    Path {
        path: kurbo::BezPath,
        rule: FillRule,
    },
    /// A stroked polyline with round joins.
    Line {
        points: Vec<(f64, f64)>,
        width: f64,
        cap: Cap,
    },
    /// Painted or computed coverage, values as they are; 0 outside its rectangle.
    Given(Arc<Matte>),
}

/// A source with its own softness: Gaussian, standard deviation `feather` px, 0..1000.
#[derive(Clone, Debug)]
pub struct Layer {
    pub source: Source,
    pub feather: f64,
}

/// One step. The sources of one block are united first (a + b - ab).
#[derive(Clone, Debug)]
pub enum Step {
    /// Adds: a + b - ab.
    Keep(Vec<Layer>),
    /// Limits: a b.
    Within(Vec<Layer>),
    /// Removes: a (1 - b).
    Cut(Vec<Layer>),
    /// Gaussian, standard deviation in px, 0..1000.
    Feather(f64),
    /// Grows by a Euclidean distance in px, 0..1000.
    Dilate(f64),
    /// Shrinks by a Euclidean distance in px, 0..1000: dilates the complement.
    Erode(f64),
    /// Maps low to 0 and high to 1, linearly, clamped; low < high.
    Ramp(f64, f64),
    Invert,
}

/// A whole mask; it starts from coverage 0.
#[derive(Clone, Debug, Default)]
pub struct Program {
    pub steps: Vec<Step>,
}
