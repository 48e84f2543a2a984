//! Drawn, painted and shaped masks as coverage 0..1; computed sources come in as coverages.

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
