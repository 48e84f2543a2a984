//! `explain`: what is read, where each piece lands and in which order, and how much memory it takes.

mod found;
mod json;
mod text;

use super::answer::{Answer, Stopped};
use super::args::ExplainArgs;
use super::opened::{Opened, on_threads, opened};
use crate::budget::Bytes;
use crate::deliver;
use crate::diag::Finding;
use crate::render::{Scope, Tiling, View};
use crate::settle::{self, Keep, Settled};

/// What a run would need. Memory in bytes.
#[derive(Clone, Copy, Debug)]
struct Needs {
    memory: u64,
    allowed: u64,
    threads: u64,
}

pub(super) fn run(args: &ExplainArgs) -> Result<Answer, Stopped> {
    on_threads(&args.scene, || {
        let opened = opened(&args.scene, &args.outputs)?;
        explained(&opened).map_err(|finding| opened.stopped(finding))
    })
}

fn explained(opened: &Opened) -> Result<Answer, Finding> {
    let settled = settle::settled_keeping(
        &opened.plan,
        Keep::NearPieces,
        &opened.store,
        &opened.account,
    )?;
    let threads = rayon::current_num_threads() as u64;
    let tiling = Tiling::default();
    let needs = Needs {
        memory: deliver::peak_bytes(&opened.plan, &settled, tiling, threads, &opened.account),
        allowed: opened.account.limit(),
        threads,
    };
    let mut findings = opened.findings.clone();
    findings.extend(settled.findings.iter().cloned());
    findings.extend(pivots(opened, &settled));
    findings.extend(short(needs));
    Ok(Answer {
        findings,
        sources: opened.scene.sources.clone(),
        text: text::page(opened, &settled, needs),
        more: json::members(opened, &settled, needs),
        attention: false,
    })
}

/// A run that would not fit.
fn short(needs: Needs) -> Option<Finding> {
    (needs.memory > needs.allowed).then(|| {
        Finding::look(
            "memory-short",
            format!(
                "about {} of memory are needed, and {} are allowed",
                Bytes(needs.memory),
                Bytes(needs.allowed)
            ),
        )
        .measured(needs.memory as f64, needs.allowed as f64)
        .remedy("allow more with --memory, use fewer --threads, or mask the pieces tighter")
    })
}

/// Computed pivots, so that a scene that depends on one says so.
fn pivots(opened: &Opened, settled: &Settled) -> Vec<Finding> {
    let mut findings: Vec<Finding> = Vec::new();
    for stack in &opened.plan.pictures {
        let scope = Scope::new(&opened.plan, settled, stack, View::whole(stack.canvas));
        scope.each_element(&mut |element| {
            if element.step.placing.pivot.is_some() || !element.step.placing.turns() {
                return;
            }
            let [x, y] = element.pivot;
            let finding = Finding::note(
                "pivot-computed",
                format!(
                    "{} turns about {x}, {y}, the centre of what its mask keeps",
                    element.step.member
                ),
            )
            .at(element.step.span)
            .member(element.step.member.as_str())
            .remedy(format!("to keep it when the mask changes: pivot {x} {y}"))
            .together(
                "members turn about the centre of what their masks keep",
                format!("{x}, {y}"),
                "to keep them when a mask changes: platewright pin",
            );
            if !findings.contains(&finding) {
                findings.push(finding);
            }
        });
    }
    findings
}
