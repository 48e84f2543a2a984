//! Outputs resolved: which pixels of which picture, how large, through which profile, into which file.

use super::footage::{Opener, ShotId};
use super::stack::matrix;
use crate::color::{Profile, Space};
use crate::correct::Matrix;
use crate::diag::{Finding, Span};
use crate::geom::Rect;
use crate::scene::{
    self, Compression, Crop, Depth, Format, Guides, Intent, Output, ProfileName, Size,
};

/// One output, resolved.
#[derive(Clone, Debug)]
pub struct OutputPlan {
    pub name: String,
    pub span: Span,
    /// Which of the plan's pictures.
    pub picture: usize,
    /// The window in canvas space.
    pub window: Rect,
    /// The finished size in pixels; the window's own where nothing is resized.
    pub size: (u32, u32),
    /// Acts after the scene's own correction.
    pub correct: Option<Matrix>,
    /// Whether pixels may be transparent.
    pub alpha: bool,
    /// Linear colour in the working space that transparent parts are laid on.
    pub background: Option<[f32; 3]>,
    pub profile: Profile,
    /// Matrix profiles know one intent besides the absolute: the others come to the same.
    pub intent: Intent,
    pub guides: Guides,
    pub target: Target,
}

/// The file an output goes to.
#[derive(Clone, Debug)]
pub struct Target {
    /// Relative to the output folder.
    pub file: String,
    pub file_span: Span,
    pub format: Format,
    pub depth: Depth,
    pub compression: Compression,
    pub quality: u8,
    pub dither: bool,
    pub ppi: f64,
}

/// What an output needs to know of its picture.
pub(super) struct Around<'a> {
    pub picture: usize,
    pub canvas: Rect,
    /// The part of the canvas that is opaque whatever the members do.
    pub solid: Rect,
    pub plate: Option<ShotId>,
    pub space: &'a Space,
    pub scene_guides: &'a Guides,
}

/// `None` where the output has a fault; it is among the findings then.
pub(super) fn resolved(
    output: &Output,
    around: &Around,
    opener: &mut Opener,
) -> Option<OutputPlan> {
    let canvas = around.canvas;
    let window = match &output.crop {
        None => Some(canvas),
        Some(crop) => match windowed(&crop.value, canvas) {
            Ok(window) => Some(window),
            Err(fault) => {
                opener.findings.push(
                    Finding::stop("outside-canvas", fault)
                        .at(crop.span)
                        .output(&output.name.value)
                        .allowed(format!(
                            "inside the canvas: {} x {} px at {},{}",
                            canvas.width(),
                            canvas.height(),
                            canvas.x0,
                            canvas.y0
                        )),
                );
                None
            }
        },
    };
    let size = window.and_then(|window| sized(output, window, opener));
    let default = match (output.depth, around.plate) {
        (Depth::Eight, _) | (_, None) => ProfileName::Srgb,
        _ => ProfileName::Plate,
    };
    let (name, span) = match &output.profile {
        Some(named) => (named.value.clone(), named.span),
        None => (default, output.span),
    };
    let profile = opener.profile(&name, span, around.plate);
    let (window, size, profile) = (window?, size?, profile?);
    let background = output
        .background
        .map(|b| around.space.of_srgb_hex(b.value.0));
    let alpha = background.is_none() && !around.solid.covers(&window);
    if alpha && output.format == Format::Jpeg {
        opener.findings.push(
            Finding::stop(
                "alpha-in-jpeg",
                "a JPEG holds no transparency, and parts of this picture may be transparent",
            )
            .at(output.file.span)
            .output(&output.name.value)
            .remedy("flatten it: background \"#ffffff\"; or write a .tif or .png"),
        );
        return None;
    }
    Some(OutputPlan {
        name: output.name.value.clone(),
        span: output.span,
        picture: around.picture,
        window,
        size,
        correct: output
            .stage
            .correct
            .and_then(|c| matrix(&c.value, around.space)),
        alpha,
        background,
        profile,
        intent: output.intent.map_or(Intent::Relative, |i| i.value),
        guides: joined(around.scene_guides, &output.guides),
        target: Target {
            file: output.file.value.clone(),
            file_span: output.file.span,
            format: output.format,
            depth: output.depth,
            compression: output.compression,
            quality: output.quality,
            dither: output.dither,
            ppi: output.ppi,
        },
    })
}

fn joined(scene: &Guides, output: &Guides) -> Guides {
    let own = !output.x.is_empty() || !output.y.is_empty();
    Guides {
        x: if own {
            output.x.clone()
        } else {
            scene.x.clone()
        },
        y: if own {
            output.y.clone()
        } else {
            scene.y.clone()
        },
        safe: if output.safe.is_empty() {
            scene.safe.clone()
        } else {
            output.safe.clone()
        },
    }
}

/// The crop as canvas pixels (rule 11 of the language).
fn windowed(crop: &Crop, canvas: Rect) -> Result<Rect, String> {
    match crop {
        Crop::Rect(scene::Canvas {
            x,
            y,
            width,
            height,
        }) => {
            let window = Rect::new(*x, *y, *width, *height);
            if canvas.covers(&window) {
                Ok(window)
            } else {
                Err(format!(
                    "the crop, {width} x {height} px at {x},{y}, leaves the canvas"
                ))
            }
        }
        Crop::Ratio {
            width: a,
            height: b,
            centre,
            zoom,
        } => {
            let (cw, ch) = (f64::from(canvas.width()), f64::from(canvas.height()));
            let (cx, cy) = match centre {
                Some([x, y]) => (*x, *y),
                None => (
                    f64::from(canvas.x0) + cw / 2.0,
                    f64::from(canvas.y0) + ch / 2.0,
                ),
            };
            let inside = f64::from(canvas.x0) <= cx
                && cx <= f64::from(canvas.x1)
                && f64::from(canvas.y0) <= cy
                && cy <= f64::from(canvas.y1);
            if !inside {
                return Err(format!(
                    "the crop's centre {cx},{cy} lies outside the canvas"
                ));
            }
            let w = cw.min(ch * a / b) / zoom;
            let h = w * b / a;
            let w = (w + 0.5).floor().min(cw);
            let h = (h + 0.5).floor().min(ch);
            if w < 1.0 || h < 1.0 {
                return Err(format!("the crop would be {w} x {h} px"));
            }
            let left = (cx - w / 2.0 + 0.5)
                .floor()
                .clamp(f64::from(canvas.x0), f64::from(canvas.x1) - w);
            let top = (cy - h / 2.0 + 0.5)
                .floor()
                .clamp(f64::from(canvas.y0), f64::from(canvas.y1) - h);
            Ok(Rect::new(left as i32, top as i32, w as u32, h as u32))
        }
    }
}

/// The finished size; a free side is max(1, floor(x + 1/2)).
fn sized(output: &Output, window: Rect, opener: &mut Opener) -> Option<(u32, u32)> {
    let (w, h) = (window.width(), window.height());
    let Some(size) = &output.size else {
        return Some((w, h));
    };
    let free = |side: u32, of: u32, over: u32| {
        let x = f64::from(of) * f64::from(side) / f64::from(over);
        ((x + 0.5).floor().max(1.0) as u32).min(65_535)
    };
    let to = match size.value {
        Size::Both(tw, th) => {
            let wanted_h = f64::from(tw) * f64::from(h) / f64::from(w);
            let wanted_w = f64::from(th) * f64::from(w) / f64::from(h);
            let off = (wanted_h - f64::from(th))
                .abs()
                .min((wanted_w - f64::from(tw)).abs());
            if off > 1.0 {
                opener.findings.push(
                    Finding::stop(
                        "size-ratio",
                        format!("{tw} x {th} has another ratio than the crop of {w} x {h} px"),
                    )
                    .at(size.span)
                    .output(&output.name.value)
                    .allowed("a ratio that fits within one pixel")
                    .remedy(format!(
                        "size width={tw} makes {tw} x {}; or crop \"{tw}:{th}\" first",
                        free(tw, h, w)
                    )),
                );
                return None;
            }
            (tw, th)
        }
        Size::Width(tw) => (tw, free(tw, h, w)),
        Size::Height(th) => (free(th, w, h), th),
        Size::LongEdge(n) if w >= h => (n, free(n, h, w)),
        Size::LongEdge(n) => (free(n, w, h), n),
    };
    let scale = (f64::from(to.0) / f64::from(w)).max(f64::from(to.1) / f64::from(h));
    if scale > 1.0 {
        opener.findings.push(
            Finding::look(
                "enlarged",
                format!("{w} x {h} px are enlarged to {} x {}", to.0, to.1),
            )
            .at(size.span)
            .output(&output.name.value)
            .measured(scale, 1.0)
            .remedy("ask for less, or crop less tightly"),
        );
    }
    Some(to)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ratio(width: f64, height: f64, centre: Option<[f64; 2]>, zoom: f64) -> Crop {
        Crop::Ratio {
            width,
            height,
            centre,
            zoom,
        }
    }

    /// Largest inscribed crops of common sensors, by hand: the side that fits times the ratio
    /// (common practice, no source), rounded to the nearest pixel.
    #[test]
    fn ratio_crops_of_common_sensors() {
        for (w, h, a, b, want) in [
            (11648, 8736, 1.0, 1.0, (8736, 8736)),
            (11648, 8736, 4.0, 5.0, (6989, 8736)),
            (11648, 8736, 16.0, 9.0, (11648, 6552)),
            (6000, 4000, 9.0, 16.0, (2250, 4000)),
        ] {
            let window = windowed(&ratio(a, b, None, 1.0), Rect::of_size(w, h)).unwrap();
            assert_eq!((window.width(), window.height()), want);
        }
    }

    #[test]
    fn a_crop_near_the_edge_is_pushed_inside() {
        let canvas = Rect::new(-100, 50, 1000, 800);
        let window = windowed(&ratio(1.0, 1.0, Some([890.0, 840.0]), 2.0), canvas).unwrap();
        assert_eq!(window, Rect::new(500, 450, 400, 400));
        assert!(windowed(&ratio(1.0, 1.0, Some([901.0, 840.0]), 2.0), canvas).is_err());
    }
}
