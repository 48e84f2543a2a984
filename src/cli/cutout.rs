//! `cutout`: a piece cut out of one frame by its plate, without a scene.

use super::answer::{Answer, Stopped};
use super::args::{CutoutArgs, Movement};
use super::console::columns;
use super::opened::on_pool;
use super::words::words;
use crate::budget::Account;
use crate::deliver::OutputFolder;
use crate::deliver::cutout::{Facts, Made, Piece, Place, written};
use crate::diag::Finding;
use crate::frame::Channel;
use crate::geom::Rect;
use crate::mask::{FillRule, Layer, Program, Source, Step};
use crate::plan::{Alone, Carry, Laying, Named, Painted, opened_alone};
use crate::raster::Matte;
use crate::register::Motion;
use crate::scene::{ProfileName, Scene, points};
use crate::settle::keyed::{self, Wish};
use crate::settle::{self, painted_matte};
use serde_json::{Map, Value, json};
use std::path::{Path, PathBuf};

/// Where a piece may be.
enum Within {
    Everywhere,
    Polygon(Vec<[f64; 2]>),
    File(PathBuf),
}

pub(super) fn run(args: &CutoutArgs) -> Result<Answer, Stopped> {
    on_pool(args.threads, || {
        cut(args).map_err(|findings| Stopped::with(findings, &crate::diag::Sources::default()))
    })
}

fn cut(args: &CutoutArgs) -> Result<Answer, Vec<Finding>> {
    let one = |finding: Finding| vec![finding];
    let words = words(&Scene::default()).map_err(one)?;
    let within = within(args).map_err(one)?;
    let account = Account::new(args.memory);
    let untagged = args.profile.as_deref().map(profile);
    let named = Named {
        frame: &args.frame,
        plates: &args.plates,
        within: match &within {
            Within::File(path) => Some(path),
            _ => None,
        },
        untagged: untagged.as_ref(),
    };
    let alone = opened_alone(&named, &account)?;
    let folder = OutputFolder::open(&args.out).map_err(|fault| {
        one(Finding::stop("folder-unwritable", fault.to_string())
            .remedy("give a folder of your own that can be written: --out DIR"))
    })?;
    // There is no text to point at.
    let broken = |finding: Finding| {
        let mut all = settle::with_all_broken(vec![finding], alone.footage(), &account);
        all.iter_mut().for_each(|finding| finding.span = None);
        all
    };
    let limit = limit(&within, &alone, &account).map_err(broken)?;
    let plates = alone.plates();
    let set = keyed::plate(&plates, &account).map_err(broken)?;
    let wish = Wish {
        laying: Laying {
            carry: carry(args),
            ..Laying::FOUND
        },
        sigma: args.sigma,
        within: limit.as_ref(),
    };
    let cut = keyed::cut(alone.frame(), &set.files, wish, &account).map_err(broken)?;
    // Only the cut-out is written.
    drop(cut.frame_light);
    let shown: Vec<String> = plates.iter().map(|plate| plate.shown()).collect();
    let facts = Facts {
        plates: &shown,
        fellows: &set.fellows,
        alignment: cut.alignment.as_ref(),
        balance: cut.balance.as_ref(),
        noise: Some(cut.cutout.noise),
        response: cut.cutout.response.as_ref(),
        rig: Some(&cut.cutout.rig),
        notices: &cut.cutout.notices,
    };
    let flags = cut.cutout.flags.as_ref();
    let light = cut.cutout.light.without(flags, &account);
    let light = light.map_err(|fault| one(fault.into()))?;
    let piece = Piece {
        matte: &cut.cutout.matte,
        colour: &cut.cutout.colour,
        light: Some(&light),
        frame: alone.frame(),
        gains: cut.gains,
        carry: cut.carry,
        plate: plates.first().copied(),
        space: &alone.space,
        facts: &facts,
    };
    let mut inputs = args.plates.clone();
    inputs.push(args.frame.clone());
    for more in [&within_file(&within), &profile_file(&untagged)] {
        inputs.extend(more.iter().map(|path| path.to_path_buf()));
    }
    let place = Place {
        folder: &folder,
        prefix: "",
        inputs: &inputs,
        words: &words,
    };
    let made = written(&piece, &place, &account).map_err(one)?;
    let findings = set.findings.into_iter().chain(cut.findings);
    let findings = findings.map(worded).collect();
    Ok(answer(findings, &made, &args.out))
}

/// What to do about it where there is no scene to write it into.
fn worded(finding: Finding) -> Finding {
    let remedy = match finding.id {
        "nothing-found" => {
            "see whether it is the right frame and the right plate; for a piece very like the plate lower its threshold: --sigma 2"
        }
        "rod-not-found" => {
            "if something holds it there, leave that out: --within \"x,y x,y x,y\"; if the piece is cropped by the frame, all is well"
        }
        "thin-part" => "if it is a rod, leave it out: --within \"x,y x,y x,y\"",
        "carried-across" => {
            "look at the place at full size; where another frame shows it, a scene takes it from there: mend from=\"file\" { rig }"
        }
        "see-through" => {
            "shoot it once more before a second card; in a scene, piece { card \"file\" plate=\"name\" } makes one matte of the pair"
        }
        "like-plate" => {
            "see whether it is solid there; if it is a hole, paint a mask without it: --within mask.png"
        }
        "align-untrusted" => {
            "if the camera stood still: --no-align; if it moved, state the shift in a scene: align dx dy"
        }
        "align-rough" => {
            "see whether edges fit; where they must: --no-align if the camera stood still, or state the shift in a scene: align dx dy"
        }
        "align-turned" => "undo that too: --align similarity",
        "balance-untrusted" => "if the light changed, state the gains in a scene: balance r g b",
        _ => return finding,
    };
    finding.remedy(remedy)
}

fn answer(findings: Vec<Finding>, made: &[Made], out: &Path) -> Answer {
    let mut more = Map::new();
    more.insert("files".into(), listed(made, out));
    let rows: Vec<Vec<String>> = made.iter().map(|made| row(made, out)).collect();
    Answer {
        findings,
        text: columns(&rows)
            .iter()
            .map(|line| format!("{}\n", line.trim_start()))
            .collect(),
        more,
        ..Answer::default()
    }
}

/// One file as a line's cells.
pub(super) fn row(made: &Made, out: &Path) -> Vec<String> {
    let size = made
        .size
        .map_or(String::new(), |(w, h)| format!("{w} x {h}"));
    vec![out.join(&made.file).display().to_string(), size]
}

/// Files as JSON.
pub(super) fn listed(made: &[Made], out: &Path) -> Value {
    made.iter()
        .map(|made| {
            let mut object = json!({ "file": out.join(&made.file).display().to_string() });
            if let Some((width, height)) = made.size {
                object["width"] = json!(width);
                object["height"] = json!(height);
            }
            object
        })
        .collect()
}

fn carry(args: &CutoutArgs) -> Carry {
    if args.no_align {
        return Carry::Off;
    }
    Carry::Estimated(match args.align {
        Movement::Shift => Motion::Shift,
        Movement::Similarity => Motion::Similarity,
        Movement::Perspective => Motion::Perspective,
    })
}

/// A name of the language, else a file.
fn profile(typed: &str) -> ProfileName {
    match typed {
        "srgb" => ProfileName::Srgb,
        "display-p3" => ProfileName::DisplayP3,
        "a98-rgb" => ProfileName::A98Rgb,
        "rec2020" => ProfileName::Rec2020,
        "gray" => ProfileName::Gray,
        file => ProfileName::File(PathBuf::from(file)),
    }
}

fn profile_file(profile: &Option<ProfileName>) -> Option<&Path> {
    match profile {
        Some(ProfileName::File(path)) => Some(path),
        _ => None,
    }
}

fn within_file(within: &Within) -> Option<&Path> {
    match within {
        Within::File(path) => Some(path),
        _ => None,
    }
}

/// Numbers are a polygon, everything else names a file.
fn within(args: &CutoutArgs) -> Result<Within, Finding> {
    let Some(typed) = &args.within else {
        return Ok(Within::Everywhere);
    };
    let numbers = |c: char| c.is_ascii_digit() || ".,+-eE".contains(c) || c.is_whitespace();
    if !typed.contains(',') || !typed.chars().all(numbers) {
        return Ok(Within::File(PathBuf::from(typed)));
    }
    let wrong = |words: String| {
        Finding::stop(
            "command-line",
            format!("--within \"{typed}\" is no polygon: {words}"),
        )
        .allowed("at least three points \"x,y x,y x,y\" in frame pixels, or a gray picture file")
    };
    let points = points(typed).map_err(wrong)?;
    if points.len() < 3 {
        return Err(wrong(format!("it has {} points", points.len())));
    }
    Ok(Within::Polygon(points))
}

/// The same as coverage of the frame.
fn limit(within: &Within, alone: &Alone, account: &Account) -> Result<Option<Matte>, Finding> {
    let space = alone.frame().rect();
    match (within, alone.within()) {
        (Within::Everywhere, _) => Ok(None),
        (Within::Polygon(points), _) => polygon(points, space, account).map(Some),
        (Within::File(_), Some(file)) => painted(file, space, account).map(Some),
        // A file that can't be opened was told.
        (Within::File(_), None) => Ok(None),
    }
}

fn polygon(points: &[[f64; 2]], space: Rect, account: &Account) -> Result<Matte, Finding> {
    let source = Source::Polygon {
        points: points.iter().map(|[x, y]| (*x, *y)).collect(),
        rule: FillRule::Nonzero,
    };
    let layer = Layer {
        source,
        feather: 0.0,
    };
    let program = Program {
        steps: vec![Step::Keep(vec![layer])],
    };
    Ok(program.coverage(space, program.extent(space), account)?)
}

fn painted(file: &Painted, space: Rect, account: &Account) -> Result<Matte, Finding> {
    let shown = file.path.display().to_string();
    let header = file.frame.header();
    if file.frame.rect() != space {
        return Err(Finding::stop(
            "mask-size",
            format!(
                "the mask {shown} is {} x {} px, and the frame is {} x {} px",
                header.width,
                header.height,
                space.width(),
                space.height()
            ),
        )
        .frame(shown)
        .remedy("paint it on the frame itself, uncropped"));
    }
    let Some(channel) = header.channel(Channel::Gray) else {
        return Err(
            Finding::stop("mask-channel", format!("the mask {shown} is no gray file"))
                .frame(shown)
                .remedy("save it as a gray picture: white is where the piece may be"),
        );
    };
    painted_matte(&file.frame, &file.path, channel, account)
}
