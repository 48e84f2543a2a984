//! One tile: ground, then every member over it, back to front.

use super::feed::Feeds;
use super::ground;
use super::protect::{Tally, Visible, Watch};
use super::scope::{Placed, PlacedElement, PlacedGroup, Scope};
use crate::blend::{self, Mixing, Mode};
use crate::budget::Account;
use crate::diag::Finding;
use crate::frame::{SampleBuffer, Samples};
use crate::geom::{Map, Rect};
use crate::plan::{MaskId, Shot};
use crate::raster::{Matte, Picture, Premul, Raster};
use crate::resample::{self, Kernel};
use crate::settle::{balanced, out_of_memory, unreadable};

/// A finished tile: linear light, premultiplied.
#[derive(Debug)]
pub struct Tile {
    pub picture: Picture,
    /// Where a pixel is an untouched copy: the codes it was copied from.
    pub stored: Option<Raster<Stored>>,
    pub tallies: Vec<Tally>,
}

/// Codes a pixel was copied from, so that a master in the same profile can hold them bit for bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stored {
    /// One more than the shot's index; 0 for a computed pixel.
    shot: u32,
    /// Red, green, blue, alpha (or gray, -, -, alpha) as stored; 32-bit floats by their bits. Alpha is full where
    /// the file has none.
    pub codes: [u32; 4],
}

impl Stored {
    pub const COMPUTED: Stored = Stored {
        shot: 0,
        codes: [0; 4],
    };

    /// The shot the codes come from.
    pub fn shot(&self) -> Option<crate::plan::ShotId> {
        (self.shot as usize).checked_sub(1).map(crate::plan::ShotId)
    }

    pub(super) fn of(shot: &Shot, index: usize, samples: &Samples, x: i32, y: i32) -> Stored {
        let rect = samples.rect;
        let at = ((y - rect.y0) as usize * rect.width() as usize + (x - rect.x0) as usize)
            * samples.channels;
        let full = match samples.buffer {
            SampleBuffer::U8(_) => 0xff,
            SampleBuffer::U16(_) => 0xffff,
            SampleBuffer::U32(_) => u32::MAX,
            SampleBuffer::F32(_) => 1f32.to_bits(),
        };
        let code = |channel: usize| match &samples.buffer {
            SampleBuffer::U8(v) => u32::from(v[at + channel]),
            SampleBuffer::U16(v) => u32::from(v[at + channel]),
            SampleBuffer::U32(v) => v[at + channel],
            SampleBuffer::F32(v) => v[at + channel].to_bits(),
        };
        let gray = shot.frame.header().colour == crate::frame::Colour::Gray;
        let colours = if gray { 1 } else { 3 };
        let alpha = if shot.has_alpha() {
            code(colours)
        } else {
            full
        };
        let codes = if gray {
            [code(0), code(0), code(0), alpha]
        } else {
            [code(0), code(1), code(2), alpha]
        };
        Stored {
            shot: index as u32 + 1,
            codes,
        }
    }
}

/// What a tile is to bring besides its pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Codes {
    Kept,
    Dropped,
}

/// Draws a tile. `ground` is given where it was prepared beforehand (a preview).
pub(super) fn drawn(
    scope: &Scope,
    feeds: &Feeds,
    prepared: Option<&Picture>,
    rect: Rect,
    codes: Codes,
    watches: &[Watch],
    account: &Account,
) -> Result<Tile, Finding> {
    let mut stored = match codes {
        Codes::Kept => {
            Some(Raster::filled(rect, Stored::COMPUTED, account).map_err(|f| out_of_memory(&f))?)
        }
        Codes::Dropped => None,
    };
    let picture = match prepared {
        Some(ground) => ground
            .cropped(rect, account)
            .map_err(|f| out_of_memory(&f))?,
        None => ground::drawn(scope, feeds.plate.as_ref(), rect, stored.as_mut(), account)?,
    };
    let mut layer = Layer { picture, stored };
    let mut visible = Visible::new(watches, rect);
    let painter = Painter {
        scope,
        feeds,
        account,
    };
    painter.paint(&scope.nodes, &mut layer, &mut visible)?;
    let Layer {
        mut picture,
        mut stored,
    } = layer;
    if let Some(matrix) = &scope.stack.correct {
        matrix.apply(picture.data_mut());
        stored = None;
    }
    Ok(Tile {
        picture,
        stored,
        tallies: visible.tallies(),
    })
}

/// A picture under construction with what it was copied from.
struct Layer {
    picture: Picture,
    stored: Option<Raster<Stored>>,
}

/// How a source goes onto a layer.
#[derive(Clone, Copy)]
struct Laying {
    opacity: f32,
    mode: Mode,
    mixing: Mixing,
}

struct Painter<'a> {
    scope: &'a Scope<'a>,
    feeds: &'a Feeds,
    account: &'a Account,
}

impl Painter<'_> {
    fn paint(
        &self,
        nodes: &[Placed],
        layer: &mut Layer,
        visible: &mut Visible,
    ) -> Result<(), Finding> {
        for node in nodes {
            let out = node.reach().intersected(&layer.picture.rect());
            if out.is_empty() {
                continue;
            }
            match node {
                Placed::Element(element) => {
                    let laying = Laying {
                        opacity: element.step.opacity,
                        mode: element.step.mode,
                        mixing: element.step.mixing,
                    };
                    if let Some(above) = self.element(element, out, layer.stored.is_some())? {
                        visible.element(element.index, &above.picture, laying.opacity);
                        laid(layer, &above, laying);
                    }
                }
                Placed::Group(group) => {
                    let laying = Laying {
                        opacity: group.step.opacity,
                        mode: group.step.mode,
                        mixing: group.step.mixing,
                    };
                    let above = self.group(group, out, layer.stored.is_some(), visible)?;
                    laid(layer, &above, laying);
                }
            }
        }
        Ok(())
    }

    /// An element's pixels in `out`, before opacity and blending; `None` where it has none.
    fn element(
        &self,
        element: &PlacedElement,
        out: Rect,
        with_codes: bool,
    ) -> Result<Option<Layer>, Finding> {
        let needed = element.needs(&out);
        if needed.is_empty() {
            return Ok(None);
        }
        let shot_id = self.scope.plan.cuts[element.step.cut.0].shot;
        let shot = self.scope.plan.footage.shot(shot_id);
        let samples = self.feeds.elements[element.index].as_ref();
        let mut window = self.window(element, shot, samples, needed)?;
        if let Some(matrix) = &element.step.correct {
            matrix.apply(window.data_mut());
        }
        if let Some(matte) = &element.cut.coverage {
            for y in needed.y0..needed.y1 {
                covered(window.row_mut(y), matte.span(y, needed.x0, needed.x1));
            }
        }
        let mut picture = match &element.copies {
            Some(pixels) => resample::copied(&window, pixels, out, self.account),
            None => resample::resampled(
                &window,
                &element.back,
                out,
                element.step.kernel,
                self.account,
            ),
        }
        .map_err(|f| out_of_memory(&f))?;
        if let Some(mask) = element.step.behind
            && let Some(matte) = self.mask(mask, &Map::IDENTITY, out)?
        {
            for y in out.y0..out.y1 {
                for (pixel, m) in picture.row_mut(y).iter_mut().zip(matte.row(y)) {
                    *pixel = Premul(pixel.0.map(|v| v * (1.0 - m)));
                }
            }
        }
        let copies = element
            .copies
            .filter(|_| with_codes && element.step.correct.is_none())
            .filter(|_| element.cut.gains == [1.0; 3]);
        let stored = match (copies, samples) {
            (None, _) | (_, None) => None,
            (Some(pixels), Some(samples)) => {
                let mut stored = Raster::filled(out, Stored::COMPUTED, self.account)
                    .map_err(|f| out_of_memory(&f))?;
                for y in out.y0..out.y1 {
                    for x in out.x0..out.x1 {
                        if picture.at(x, y).alpha() == 1.0 {
                            let (u, v) = pixels.apply(x, y);
                            stored.put(x, y, Stored::of(shot, shot_id.0, samples, u, v));
                        }
                    }
                }
                Some(stored)
            }
        };
        Ok(Some(Layer { picture, stored }))
    }

    /// An element's own light, balanced, before its mask: recovered beforehand, or the frame's.
    fn window(
        &self,
        element: &PlacedElement,
        shot: &Shot,
        samples: Option<&Samples>,
        needed: Rect,
    ) -> Result<Picture, Finding> {
        if let Some(light) = element.cut.picture() {
            let mut window = Picture::filled(needed, Premul::CLEAR, self.account)
                .map_err(|f| out_of_memory(&f))?;
            for y in needed.y0..needed.y1 {
                let colours = light.span(y, needed.x0, needed.x1);
                for (pixel, [r, g, b]) in window.row_mut(y).iter_mut().zip(colours) {
                    *pixel = Premul([*r, *g, *b, 1.0]);
                }
            }
            return Ok(window);
        }
        let samples = samples.expect("the band's feed covers its tiles");
        let mut window = samples
            .picture(needed, shot.frame.header(), &shot.decoding, self.account)
            .map_err(|fault| unreadable(&shot.path, &fault).member(element.step.member.as_str()))?;
        let gains = element.cut.gains;
        if gains != [1.0; 3] {
            for pixel in window.data_mut() {
                let [r, g, b, a] = pixel.0;
                let [r, g, b] = balanced([r, g, b], gains);
                *pixel = Premul([r, g, b, a]);
            }
        }
        Ok(window)
    }

    /// A group composited alone onto transparent black.
    fn group(
        &self,
        group: &PlacedGroup,
        out: Rect,
        with_codes: bool,
        visible: &mut Visible,
    ) -> Result<Layer, Finding> {
        let clear = || Picture::filled(out, Premul::CLEAR, self.account);
        let keeps_codes = with_codes && group.step.correct.is_none();
        let mut layer = Layer {
            picture: clear().map_err(|f| out_of_memory(&f))?,
            stored: match keeps_codes {
                true => Some(
                    Raster::filled(out, Stored::COMPUTED, self.account)
                        .map_err(|f| out_of_memory(&f))?,
                ),
                false => None,
            },
        };
        let opened = visible.open();
        self.paint(&group.nodes, &mut layer, visible)?;
        if let Some(matrix) = &group.step.correct {
            matrix.apply(layer.picture.data_mut());
        }
        if let Some((mask, carried)) = &group.step.mask {
            let matte = self.mask(*mask, carried, out)?;
            for y in out.y0..out.y1 {
                match &matte {
                    Some(matte) => covered(layer.picture.row_mut(y), matte.row(y)),
                    None => layer.picture.row_mut(y).fill(Premul::CLEAR),
                }
            }
            visible.masked(&opened, out, matte.as_ref());
        }
        visible.close(opened, &layer.picture, group.step.opacity);
        Ok(layer)
    }

    /// A canvas-space mask in the view, `None` where it is zero all over `out`. `carried` is a group's placement.
    fn mask(&self, id: MaskId, carried: &Map, out: Rect) -> Result<Option<Matte>, Finding> {
        let matte = self.scope.settled.mask(id, self.scope.stack.canvas);
        let map = carried.then(&self.scope.view.from_canvas);
        let Some(back) = map.inverted() else {
            return Ok(None);
        };
        let carried = match map.as_pixel_map() {
            Some(pixels) => {
                if pixels.rect(&matte.rect()).intersected(&out).is_empty() {
                    return Ok(None);
                }
                resample::copied_matte(matte, &pixels.inverted(), out, self.account)
            }
            None => {
                let kernel = Kernel::Lanczos3;
                let needed = resample::footprint(&back, &out, kernel).intersected(&matte.rect());
                if needed.is_empty() {
                    return Ok(None);
                }
                resample::resampled_matte(matte, &back, out, kernel, self.account)
            }
        };
        carried.map(Some).map_err(|f| out_of_memory(&f))
    }
}

fn covered(row: &mut [Premul], coverage: &[f32]) {
    for (pixel, c) in row.iter_mut().zip(coverage) {
        *pixel = Premul(pixel.0.map(|v| v * c));
    }
}

/// Composites `above` onto `layer` and keeps track of which pixels still are copies.
fn laid(layer: &mut Layer, above: &Layer, laying: Laying) {
    let out = above.picture.rect();
    for y in out.y0..out.y1 {
        let source = above.picture.row(y);
        blend::composite(
            layer.picture.span_mut(y, out.x0, out.x1),
            source,
            laying.opacity,
            laying.mode,
            laying.mixing,
        );
        let Some(stored) = &mut layer.stored else {
            continue;
        };
        let replaces = laying.mode == Mode::Normal && laying.opacity == 1.0;
        let marks = stored.span_mut(y, out.x0, out.x1);
        for (k, (mark, pixel)) in marks.iter_mut().zip(source).enumerate() {
            if pixel.0 == [0.0; 4] {
                continue;
            }
            *mark = match &above.stored {
                Some(own) if replaces && pixel.alpha() == 1.0 => own.at(out.x0 + k as i32, y),
                _ => Stored::COMPUTED,
            };
        }
    }
}

/// Each element's own coverage of one pixel, by index; opacity included.
pub(super) fn coverages(
    scope: &Scope,
    feeds: &Feeds,
    pixel: Rect,
    account: &Account,
) -> Result<Vec<f64>, Finding> {
    let painter = Painter {
        scope,
        feeds,
        account,
    };
    let mut coverages = vec![0.0; scope.elements];
    let mut fault = None;
    scope.each_element(&mut |element| {
        if element.reach.intersected(&pixel).is_empty() || fault.is_some() {
            return;
        }
        match painter.element(element, pixel, false) {
            Ok(Some(layer)) => {
                let alpha = layer.picture.at(pixel.x0, pixel.y0).alpha();
                coverages[element.index] = f64::from(alpha * element.step.opacity);
            }
            Ok(None) => {}
            Err(finding) => fault = Some(finding),
        }
    });
    match fault {
        Some(finding) => Err(finding),
        None => Ok(coverages),
    }
}
