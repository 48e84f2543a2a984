//! Runs a mask's steps: first where each step can matter, then backwards what it needs, then the values.

use super::field::{Field, Reach};
use super::{Layer, Program, Step, dilate, feather};
use crate::budget::{Account, OverBudget};
use crate::geom::Rect;
use crate::raster::Matte;

impl Program {
    /// A box outside which the coverage is exactly 0. It may be larger than need be, never smaller.
    pub fn extent(&self, space: Rect) -> Rect {
        match self.reaches(space).last() {
            None => Rect::EMPTY,
            Some(last) if last.outside == 0.0 => last.inside,
            Some(_) => space,
        }
    }

    /// Coverage of `wanted`, 0 outside `space`. The same values whatever `wanted` is, bit for bit.
    ///
    /// Costs the boxes of the sources and the halos of feather, dilate and erode, cut to what `wanted` needs.
    ///
    /// # Errors
    /// When the account doesn't hold the rasters.
    pub fn coverage(
        &self,
        space: Rect,
        wanted: Rect,
        account: &Account,
    ) -> Result<Matte, OverBudget> {
        let shown = wanted.intersected(&space);
        let reaches = self.reaches(space);
        let needs = self.needs(space, shown);
        let mut field = Field::constant(0.0, account)?;
        for ((step, reach), need) in self.steps.iter().zip(&reaches).zip(&needs) {
            let rect = reach.inside.intersected(need);
            field = match step {
                Step::Keep(layers) => {
                    let block = block(layers, space, *need, account)?;
                    field.combined(&block, rect, account, union)?
                }
                Step::Within(layers) => {
                    let block = block(layers, space, *need, account)?;
                    field.combined(&block, rect, account, product)?
                }
                Step::Cut(layers) => {
                    let block = block(layers, space, *need, account)?;
                    field.combined(&block, rect, account, remainder)?
                }
                Step::Feather(sigma) => feather::feathered(field, *sigma, space, rect, account)?,
                Step::Dilate(distance) => dilate::dilated(field, *distance, space, rect, account)?,
                Step::Erode(distance) if dilate::radius(*distance) == 0 => field,
                Step::Erode(distance) => {
                    let rest = field.map(complement);
                    dilate::dilated(rest, *distance, space, rect, account)?.map(complement)
                }
                Step::Ramp(low, high) => field.map(|c| ramped(c, *low, *high)),
                Step::Invert => field.map(complement),
            };
        }
        if field.matte.rect() == wanted {
            return Ok(field.matte);
        }
        let mut matte = Matte::filled(wanted, 0.0, account)?;
        for y in shown.y0..shown.y1 {
            field.read(y, shown.x0, matte.span_mut(y, shown.x0, shown.x1));
        }
        Ok(matte)
    }

    /// What is known of the coverage after each step, over the whole space.
    fn reaches(&self, space: Rect) -> Vec<Reach> {
        let mut at = Reach {
            inside: Rect::EMPTY,
            outside: 0.0,
        };
        let mut reaches = Vec::with_capacity(self.steps.len());
        for step in &self.steps {
            at = match step {
                Step::Keep(layers) => united(at, block_reach(layers, space)),
                Step::Within(layers) => {
                    let block = block_reach(layers, space);
                    limited(at, block, product(at.outside, block.outside))
                }
                Step::Cut(layers) => {
                    let rest = block_reach(layers, space);
                    let rest = Reach {
                        outside: complement(rest.outside),
                        ..rest
                    };
                    limited(at, rest, product(at.outside, rest.outside))
                }
                Step::Feather(sigma) => grown(at, feather::radius(*sigma), space),
                Step::Dilate(distance) | Step::Erode(distance) => {
                    grown(at, dilate::radius(*distance), space)
                }
                Step::Ramp(low, high) => Reach {
                    outside: ramped(at.outside, *low, *high),
                    ..at
                },
                Step::Invert => Reach {
                    outside: complement(at.outside),
                    ..at
                },
            };
            reaches.push(at);
        }
        reaches
    }

    /// Which part of each step's result is read by what follows.
    fn needs(&self, space: Rect, wanted: Rect) -> Vec<Rect> {
        let mut need = wanted;
        let mut needs = Vec::with_capacity(self.steps.len());
        for step in self.steps.iter().rev() {
            needs.push(need);
            let halo = match step {
                Step::Feather(sigma) => feather::radius(*sigma),
                Step::Dilate(distance) | Step::Erode(distance) => dilate::radius(*distance),
                _ => 0,
            };
            need = need.grown(halo).intersected(&space);
        }
        needs.reverse();
        needs
    }
}

/// The sources of one block, each with its own feather, united, over what is needed of them.
fn block(
    layers: &[Layer],
    space: Rect,
    need: Rect,
    account: &Account,
) -> Result<Field, OverBudget> {
    let mut so_far = Reach {
        inside: Rect::EMPTY,
        outside: 0.0,
    };
    let mut field = Field::constant(0.0, account)?;
    for (k, layer) in layers.iter().enumerate() {
        let halo = feather::radius(layer.feather);
        let inner = layer.source.reach(space);
        let sharp = need.grown(halo).intersected(&inner);
        let source = Field {
            matte: layer.source.coverage(sharp, account)?,
            outside: layer.source.outside(),
        };
        let reach = layer_reach(layer, space);
        let rect = reach.inside.intersected(&need);
        let source = feather::feathered(source, layer.feather, space, rect, account)?;
        so_far = united(so_far, reach);
        field = if k == 0 {
            source
        } else {
            field.combined(&source, so_far.inside.intersected(&need), account, union)?
        };
    }
    Ok(field)
}

fn layer_reach(layer: &Layer, space: Rect) -> Reach {
    let sharp = Reach {
        inside: layer.source.reach(space),
        outside: layer.source.outside(),
    };
    grown(sharp, feather::radius(layer.feather), space)
}

fn block_reach(layers: &[Layer], space: Rect) -> Reach {
    let nothing = Reach {
        inside: Rect::EMPTY,
        outside: 0.0,
    };
    layers.iter().fold(nothing, |reach, layer| {
        united(reach, layer_reach(layer, space))
    })
}

fn grown(reach: Reach, radius: u32, space: Rect) -> Reach {
    Reach {
        inside: reach.inside.grown(radius).intersected(&space),
        ..reach
    }
}

fn united(a: Reach, b: Reach) -> Reach {
    Reach {
        inside: a.inside.united(&b.inside),
        outside: union(a.outside, b.outside),
    }
}

/// A product varies only where no factor is a constant 0.
fn limited(a: Reach, b: Reach, outside: f32) -> Reach {
    let inside = match (a.outside == 0.0, b.outside == 0.0) {
        (true, true) => a.inside.intersected(&b.inside),
        (true, false) => a.inside,
        (false, true) => b.inside,
        (false, false) => a.inside.united(&b.inside),
    };
    Reach { inside, outside }
}

/// a + b - ab, in f64 so that 0 and 1 are exact.
fn union(a: f32, b: f32) -> f32 {
    let (a, b) = (f64::from(a), f64::from(b));
    (a + b - a * b) as f32
}

fn product(a: f32, b: f32) -> f32 {
    a * b
}

fn remainder(a: f32, b: f32) -> f32 {
    product(a, complement(b))
}

fn complement(c: f32) -> f32 {
    1.0 - c
}

fn ramped(c: f32, low: f64, high: f64) -> f32 {
    ((f64::from(c) - low) / (high - low)).clamp(0.0, 1.0) as f32
}
