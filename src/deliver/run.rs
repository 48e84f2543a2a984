//! A whole run: every picture drawn once, every output fed from it, all files put in place together.

use super::file::{FileFault, Identity, OutputFolder, Pending};
use super::sink::{Marks, OutputSink};
use crate::budget::Account;
use crate::color::{Named, Profile};
use crate::diag::Finding;
use crate::frame::write::Words;
use crate::geom::Rect;
use crate::plan::{OutputPlan, Plan};
use crate::render::{self, BandSink, Covered, Scope, Tally, Tiling, View, Watch};
use crate::scene::{Depth, Format};
use crate::settle::Settled;
use std::collections::BTreeMap;

/// What is made of each output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// As the scene says.
    Finished,
    /// A small 8-bit sRGB PNG with guides drawn, at most this long.
    Preview(u32),
}

/// All that a run needs.
#[derive(Debug)]
pub struct Job<'a> {
    pub plan: &'a Plan,
    pub settled: &'a Settled,
    pub folder: &'a OutputFolder,
    pub shape: Shape,
    pub tiling: Tiling,
    pub words: Words,
    /// Files that were read, by their identity: none of them may be written over.
    pub inputs: &'a [std::path::PathBuf],
    pub account: &'a Account,
}

/// A file now in place.
#[derive(Clone, Debug)]
pub struct Delivered {
    pub output: String,
    /// Relative to the output folder.
    pub file: String,
    pub width: u32,
    pub height: u32,
}

/// What lies over one protected area in one output, as counted; `report` says what it means.
#[derive(Clone, Debug)]
pub struct Measured {
    pub output: String,
    /// Index of the plan's protected area.
    pub protect: usize,
    /// The protected area itself within the output, in 65,536ths of a pixel.
    pub area: u64,
    /// Back to front, each member's visible share of it.
    pub members: Vec<(String, Covered)>,
}

/// A run that came through.
#[derive(Clone, Debug)]
pub struct Delivery {
    /// In the plan's order.
    pub files: Vec<Delivered>,
    pub measured: Vec<Measured>,
}

/// Renders and writes. `progress` hears rows done and rows in all. Nothing is put in place unless everything is
/// whole.
pub fn delivered(job: &Job, progress: &mut dyn FnMut(u64, u64)) -> Result<Delivery, Vec<Finding>> {
    let outputs: Vec<OutputPlan> = job
        .plan
        .outputs
        .iter()
        .map(|output| match job.shape {
            Shape::Finished => output.clone(),
            Shape::Preview(longest) => preview(output, longest),
        })
        .collect();
    let pending = opened(job, &outputs)?;
    let runs = runs(job, &outputs);
    let total = runs.iter().map(|r| u64::from(r.part.height())).sum();
    let mut done = 0;
    let mut counted = Vec::new();
    let mut ready: Vec<(usize, Pending)> = Vec::new();
    let mut pending: Vec<Option<Pending>> = pending.into_iter().map(Some).collect();
    for run in &runs {
        let sinks = run
            .outputs
            .iter()
            .map(|&k| {
                let file = pending[k].take().expect("each output belongs to one run");
                let marks = match job.shape {
                    Shape::Finished => Marks::Left,
                    Shape::Preview(_) => Marks::Drawn,
                };
                OutputSink::new(
                    job.plan,
                    &outputs[k],
                    file,
                    job.words.clone(),
                    marks,
                    job.account,
                )
            })
            .collect::<Result<Vec<_>, _>>()
            .map_err(|f| vec![f])?;
        let (sinks, tallies) = rendered(job, run, sinks, &mut |rows| {
            done += u64::from(rows);
            progress(done, total);
        })
        .map_err(|f| vec![f])?;
        counted.extend(measured(job, run, &outputs, tallies));
        for (&k, sink) in run.outputs.iter().zip(sinks) {
            ready.push((k, sink.finished().map_err(|f| vec![f])?));
        }
    }
    ready.sort_by_key(|(k, _)| *k);
    // A disk that is full shows itself here, while every previous file still stands.
    for (k, file) in &mut ready {
        file.settled()
            .map_err(|fault| vec![unwritable(&outputs[*k], &fault)])?;
    }
    let mut files = Vec::new();
    for (k, file) in ready {
        let output = &outputs[k];
        file.commit()
            .map_err(|fault| vec![unwritable(output, &fault)])?;
        files.push(Delivered {
            output: output.name.clone(),
            file: output.target.file.clone(),
            width: output.size.0,
            height: output.size.1,
        });
    }
    Ok(Delivery {
        files,
        measured: counted,
    })
}

/// One drawing of one picture.
struct Run {
    picture: usize,
    view: View,
    part: Rect,
    outputs: Vec<usize>,
}

/// Outputs that share a picture share its drawing; a preview has a grid of its own.
fn runs(job: &Job, outputs: &[OutputPlan]) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    for (k, output) in outputs.iter().enumerate() {
        let canvas = job.plan.pictures[output.picture].canvas;
        if job.shape != Shape::Finished {
            let window = job.plan.outputs[k].window;
            runs.push(Run {
                picture: output.picture,
                view: View::scaled(window, output.size),
                part: output.window,
                outputs: vec![k],
            });
            continue;
        }
        match runs.iter_mut().find(|r| r.picture == output.picture) {
            Some(run) => {
                run.part = run.part.united(&output.window);
                run.outputs.push(k);
            }
            None => runs.push(Run {
                picture: output.picture,
                view: View::whole(canvas),
                part: output.window,
                outputs: vec![k],
            }),
        }
    }
    runs
}

fn rendered<'a>(
    job: &Job,
    run: &Run,
    sinks: Vec<OutputSink<'a>>,
    progress: &mut dyn FnMut(u32),
) -> Result<(Vec<OutputSink<'a>>, Vec<Tally>), Finding> {
    let stack = &job.plan.pictures[run.picture];
    let scope = Scope::new(job.plan, job.settled, stack, run.view);
    let watches: Vec<Watch> = watched(job, run)
        .map(|(_, protect, window)| Watch {
            matte: job
                .settled
                .mask(job.plan.protects[protect].mask, stack.canvas),
            window,
        })
        .collect();
    let mut sinks = sinks;
    let tallies = {
        let mut taking: Vec<Box<dyn BandSink + '_>> = sinks
            .iter_mut()
            .map(|sink| Box::new(sink) as Box<dyn BandSink + '_>)
            .collect();
        render::drawn(
            &scope,
            run.part,
            job.tiling,
            &watches,
            &mut taking,
            job.account,
            progress,
        )?
    };
    Ok((sinks, tallies))
}

/// Every pair of an output and a protected area: output, protect, window. Previews are not measured.
fn watched(job: &Job, run: &Run) -> impl Iterator<Item = (usize, usize, Rect)> {
    let protects = match job.shape {
        Shape::Finished => job.plan.protects.len(),
        Shape::Preview(_) => 0,
    };
    let outputs: Vec<(usize, Rect)> = run
        .outputs
        .iter()
        .map(|&k| (k, job.plan.outputs[k].window))
        .collect();
    outputs
        .into_iter()
        .flat_map(move |(k, window)| (0..protects).map(move |p| (k, p, window)))
}

/// The tallies of one drawing, under names.
fn measured(job: &Job, run: &Run, outputs: &[OutputPlan], tallies: Vec<Tally>) -> Vec<Measured> {
    let stack = &job.plan.pictures[run.picture];
    let scope = Scope::new(job.plan, job.settled, stack, run.view);
    let mut names = BTreeMap::new();
    scope.each_element(&mut |element| {
        names.insert(element.index, element.step.member.clone());
    });
    watched(job, run)
        .zip(tallies)
        .map(|((output, protect, _), tally)| Measured {
            output: outputs[output].name.clone(),
            protect,
            area: tally.area,
            members: tally
                .members
                .into_iter()
                .map(|(index, covered)| (names[&index].clone(), covered))
                .collect(),
        })
        .collect()
}

/// Opens every target, all faults together; nothing is rendered for a file that can't be written.
fn opened(job: &Job, outputs: &[OutputPlan]) -> Result<Vec<Pending>, Vec<Finding>> {
    let mut faults = misplaced(job.folder, outputs, job.inputs);
    if !faults.is_empty() {
        return Err(faults);
    }
    let mut pending = Vec::new();
    for output in outputs {
        match job.folder.create(&output.target.file) {
            Ok(file) => pending.push(file),
            Err(fault) => faults.push(unwritable(output, &fault)),
        }
    }
    if faults.is_empty() {
        Ok(pending)
    } else {
        Err(faults)
    }
}

/// Outputs whose file is one of the inputs, or whose place in the folder can't be looked at. Makes nothing.
pub fn misplaced(
    folder: &OutputFolder,
    outputs: &[OutputPlan],
    inputs: &[std::path::PathBuf],
) -> Vec<Finding> {
    let mut faults = Vec::new();
    for output in outputs {
        let identity = match folder.identity(&output.target.file) {
            Ok(Some(identity)) => identity,
            Ok(None) => continue,
            Err(fault) => {
                faults.push(unwritable(output, &fault));
                continue;
            }
        };
        let same = |path: &&std::path::PathBuf| Identity::of(path).is_ok_and(|i| i == identity);
        if let Some(input) = inputs.iter().find(same) {
            faults.push(
                Finding::stop(
                    "output-is-input",
                    format!(
                        "{} is also read by this scene ({})",
                        output.target.file,
                        input.display()
                    ),
                )
                .at(output.target.file_span)
                .output(output.name.as_str())
                .remedy("give the output another name"),
            );
        }
    }
    faults
}

fn unwritable(output: &OutputPlan, fault: &FileFault) -> Finding {
    // A name is the scene's to change; what stands in the folder is not.
    let id = match fault {
        FileFault::Name { .. } => "unsafe-file",
        _ => "output-unwritable",
    };
    Finding::stop(
        id,
        format!("{} can't be written: {fault}", output.target.file),
    )
    .at(output.target.file_span)
    .output(output.name.as_str())
}

/// An output as a small picture of itself: its crop, 8-bit sRGB, never larger than the finished one.
fn preview(output: &OutputPlan, longest: u32) -> OutputPlan {
    let (w, h) = output.size;
    let long = w.max(h);
    let to = longest.clamp(1, long);
    let side =
        |v: u32| ((f64::from(v) * f64::from(to) / f64::from(long) + 0.5).floor() as u32).max(1);
    let size = (side(w), side(h));
    let mut small = output.clone();
    small.size = size;
    small.window = Rect::of_size(size.0, size.1);
    small.profile = Profile::named(if output.profile.is_gray() {
        Named::Gray
    } else {
        Named::Srgb
    });
    small.target.format = Format::Png;
    small.target.depth = Depth::Eight;
    // The whole name stays in front: two outputs may differ by their ending alone.
    small.target.file = format!("{}.preview.png", output.target.file);
    small
}
