//! From a run on the border into the mask, layer by layer: along a rod the layers stay as wide as they are, and
//! they jump where the piece begins.

use super::domain::{AROUND, Cell, Domain, Run};

/// The middle of each layer, from the border inward.
pub(super) struct Trail {
    /// Points in frame pixels (pixel centres at halves).
    pub points: Vec<(f64, f64)>,
    /// Width across the way, in frame pixels.
    pub width: f64,
}

/// How a walk ended.
pub(super) enum Walk {
    /// The whole trail, and what of it comes before its layers grow wider, if they do.
    Rod(Trail, Option<Trail>),
    /// So few cells that it is no rod and no piece.
    Speck,
    /// Wide, tapering or short: whatever this is, it isn't a rod.
    Other,
}

/// Layers that must be wide before the piece is said to begin; and the fewest a rod has.
const JUMP: usize = 8;
const FEWEST: usize = 8;
/// So many layers wider than this share of the usual, and a cell, are more than the rod.
const SOME: usize = 3;
const SWOLLEN: f64 = 1.25;
/// Cells under which a part of the mask on the border is not worth a word.
const SPECK: usize = 40;

/// Walks from `run`. `widest` is the widest rod in frame pixels.
pub(super) fn walked(domain: &Domain, run: &Run, widest: f64) -> Walk {
    let mut seen = vec![false; domain.len()];
    let mut layer = run.cells.clone();
    for &(i, j) in layer.iter().chain(&run.aside) {
        seen[domain.index(i, j)] = true;
    }
    let extent = run.bounds.width().max(run.bounds.height());
    if f64::from(extent) * 2.0 > widest * 1.6 {
        return if run.cells.len() < SPECK {
            Walk::Speck
        } else {
            Walk::Other
        };
    }
    let mut centres: Vec<(f64, f64)> = Vec::new();
    let mut counts: Vec<usize> = Vec::new();
    let mut wide = 0;
    let mut total = layer.len();
    let mut jumped = false;
    loop {
        let mut next = Vec::new();
        for &(i, j) in &layer {
            for (a, b) in AROUND {
                let (i, j) = (i + a, j + b);
                if domain.at(i, j) == Cell::Mask && !seen[domain.index(i, j)] {
                    seen[domain.index(i, j)] = true;
                    next.push((i, j));
                }
            }
        }
        if next.is_empty() {
            break;
        }
        total += next.len();
        let count = next.len() as f64;
        let sum = next.iter().fold((0.0, 0.0), |s, &(i, j)| {
            (s.0 + f64::from(i), s.1 + f64::from(j))
        });
        centres.push((2.0 * sum.0 / count + 1.0, 2.0 * sum.1 / count + 1.0));
        counts.push(next.len());
        layer = next;
        // The first layers leave a ring that need not lie across the way.
        let settled = &counts
            [2.min(counts.len() - 1)..counts.len().saturating_sub(wide).max(3).min(counts.len())];
        let usual = median(settled);
        if counts[counts.len() - 1] as f64 > 1.5 * usual + 2.0 {
            wide += 1;
        } else {
            wide = 0;
        }
        if wide == JUMP {
            jumped = true;
            break;
        }
    }
    let steady = counts.len() - wide;
    if !jumped && total < SPECK {
        return Walk::Speck;
    }
    if steady < FEWEST {
        return Walk::Other;
    }
    let (points, counts) = (&centres[2..steady], &counts[2..steady]);
    let slim = unswollen(counts);
    let trails = [counts.len(), slim].map(|layers| {
        trail(&points[..layers], &counts[..layers]).filter(|trail| trail.width <= widest)
    });
    match trails {
        [Some(whole), slim] => {
            let slim = slim.filter(|slim| slim.points.len() < whole.points.len());
            Walk::Rod(whole, slim)
        }
        [None, Some(slim)] => Walk::Rod(slim, None),
        [None, None] if total < SPECK => Walk::Speck,
        [None, None] => Walk::Other,
    }
}

/// The trail through layers of so many cells each; none where they grow toward the end, or are as many as they are wide.
fn trail(points: &[(f64, f64)], counts: &[usize]) -> Option<Trail> {
    let (first, last) = (points.first()?, points.last()?);
    let way = (last.0 - first.0, last.1 - first.1);
    let long = libm::hypot(way.0, way.1);
    // A layer is a row or a column of cells, whichever lies more across the way.
    let lean = way.0.abs().max(way.1.abs()) / long.max(1e-9);
    let width = 2.0 * median(counts) * lean;
    let third = counts.len() / 3;
    let tapers = third >= 4
        && median(&counts[counts.len() - third..]) > 1.6 * median(&counts[..third]) + 1.0;
    (!tapers && long >= 1.2 * width).then(|| Trail {
        points: points.to_vec(),
        width,
    })
}

/// Layers before the first few in the further half that are wider than usual: hairs, a glint or the piece beside the
/// rod, whose middle leads away from it. All, where that leaves too few.
fn unswollen(counts: &[usize]) -> usize {
    let most = SWOLLEN * median(counts) + 1.0;
    let first = (counts.len() / 2).max(FEWEST);
    (first..counts.len().saturating_sub(SOME))
        .find(|&at| counts[at..at + SOME].iter().all(|&c| c as f64 > most))
        .unwrap_or(counts.len())
}

fn median(counts: &[usize]) -> f64 {
    let mut sorted = counts.to_vec();
    sorted.sort_unstable();
    sorted.get(sorted.len() / 2).map_or(0.0, |c| *c as f64)
}

#[cfg(test)]
mod tests {
    use super::unswollen;

    #[test]
    fn a_trail_ends_before_what_makes_it_wider() {
        let mut counts = vec![6usize; 40];
        assert_eq!(unswollen(&counts), 40);
        // A bead on the rod.
        counts[30] = 12;
        assert_eq!(unswollen(&counts), 40);
        counts.extend([9, 12, 14, 15, 13, 8, 8, 8, 8]);
        assert_eq!(unswollen(&counts), 40);
    }
}
