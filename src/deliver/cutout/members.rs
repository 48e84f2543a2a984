//! The cut-outs of a scene: every element's under `cutouts/`, a folder each.
//!
//! A folder is called as the member, with dashes for slashes; where that name is taken (another frame or mask in
//! another output, `nibs/a` beside `nibs-a`) the later one has a number behind it.

use super::{Facts, Made, Piece, Place, written};
use crate::budget::{Account, OverBudget};
use crate::diag::Finding;
use crate::geom::Rect;
use crate::plan::{Cut, CutId, Node, Plan, PlateId};
use crate::raster::{Light, Matte, Seen};
use crate::settle::{FrameSight, Keyed, Laid, Settled, SettledCut, out_of_memory, unreadable};

/// Where they go, below the output folder.
const FOLDER: &str = "cutouts/";

/// What one member's cut-out came to.
#[derive(Clone, Debug)]
pub struct MemberFiles {
    pub member: String,
    pub files: Vec<Made>,
}

/// Writes the files of every cut the plan's pictures show, one member after another.
pub fn of_members(
    plan: &Plan,
    settled: &Settled,
    place: &Place,
    account: &Account,
) -> Result<Vec<MemberFiles>, Finding> {
    for output in &plan.outputs {
        if output.target.file.starts_with(FOLDER) {
            return Err(Finding::stop(
                "output-among-cutouts",
                format!("{} lies where the cut-outs go", output.target.file),
            )
            .at(output.target.file_span)
            .output(output.name.as_str())
            .remedy("give the output another folder, or leave --cutouts out"));
        }
    }
    let mut cuts: Vec<(CutId, String)> = Vec::new();
    for picture in &plan.pictures {
        collect(&picture.nodes, &mut cuts);
    }
    let folders = folders(&cuts);
    let mut all = Vec::new();
    for ((id, member), folder) in cuts.into_iter().zip(folders) {
        let (cut, found) = (&plan.cuts[id.0], settled.cut(id));
        let prefix = format!("{}{FOLDER}{folder}/", place.prefix);
        let place = Place {
            prefix: &prefix,
            ..*place
        };
        let files = of_cut(plan, cut, found, &settled.fellows, &place, account)
            .map_err(|finding| finding.at(cut.span).member(member.as_str()))?;
        all.push(MemberFiles { member, files });
    }
    Ok(all)
}

/// Every distinct cut once, under the first member that shows it.
fn collect(nodes: &[Node], cuts: &mut Vec<(CutId, String)>) {
    for node in nodes {
        match node {
            Node::Group(group) => collect(&group.nodes, cuts),
            Node::Element(step) => {
                let known = cuts
                    .iter()
                    .any(|(id, member)| *id == step.cut && *member == step.member);
                if !known {
                    cuts.push((step.cut, step.member.clone()));
                }
            }
        }
    }
}

/// A folder for each, none twice. Plain names come first, so that a number never takes one.
fn folders(cuts: &[(CutId, String)]) -> Vec<String> {
    let plain = |member: &str| member.replace('/', "-");
    let mut taken: Vec<String> = Vec::new();
    let mut named: Vec<Option<String>> = cuts
        .iter()
        .map(|(_, member)| {
            let name = plain(member);
            let free = !taken.contains(&name);
            free.then(|| {
                taken.push(name.clone());
                name
            })
        })
        .collect();
    for (slot, (_, member)) in named.iter_mut().zip(cuts) {
        if slot.is_none() {
            let name = (2..)
                .map(|k| format!("{}-{k}", plain(member)))
                .find(|name| !taken.contains(name))
                .unwrap_or_default();
            taken.push(name.clone());
            *slot = Some(name);
        }
    }
    named.into_iter().flatten().collect()
}

fn of_cut(
    plan: &Plan,
    cut: &Cut,
    found: &SettledCut,
    fellows: &[Vec<Laid>],
    place: &Place,
    account: &Account,
) -> Result<Vec<Made>, Finding> {
    let shot = plan.footage.shot(cut.shot);
    let drawn;
    let (matte, colour): (&Matte, &Light) = match (&found.coverage, found.picture()) {
        (Some(matte), Some(colour)) => (matte, colour),
        _ => {
            drawn = seen(plan, cut, found, account)?;
            (&drawn.0, &drawn.1)
        }
    };
    let keyed: Option<&Keyed> = found.keyed.as_deref();
    let plate = keyed.map_or(PlateId::BASE, |keyed| keyed.plate);
    let plates: Vec<_> = plan.plates.get(plate.0).map_or(Vec::new(), |set| {
        let shots = set.shots.iter();
        shots.map(|&id| plan.footage.shot(id)).collect()
    });
    let shown: Vec<String> = plates.iter().map(|plate| plate.shown()).collect();
    let facts = Facts {
        plates: &shown,
        fellows: fellows.get(plate.0).map_or(&[], Vec::as_slice),
        alignment: keyed.and_then(|keyed| keyed.estimates.alignment.as_ref()),
        balance: keyed.and_then(|keyed| keyed.estimates.balance.as_ref()),
        noise: keyed.and_then(|keyed| keyed.estimates.noise),
        response: keyed.and_then(|keyed| keyed.estimates.response.as_ref()),
        rig: keyed.map(|keyed| &*keyed.rig),
        notices: keyed.map_or(&[], |keyed| &keyed.estimates.notices),
    };
    let light = keyed.map(|keyed| keyed.light.without(keyed.flags.as_ref(), account));
    let light = light.transpose()?;
    let piece = Piece {
        matte,
        colour,
        light: light.as_ref(),
        frame: shot,
        gains: found.gains,
        carry: found.carry,
        plate: plates.first().copied(),
        space: &plan.space,
        facts: &facts,
    };
    written(&piece, place, account)
}

/// Matte and colour of a frame that is not cut out of a plate: its mask times its own alpha, and itself.
fn seen(
    plan: &Plan,
    cut: &Cut,
    found: &SettledCut,
    account: &Account,
) -> Result<(Matte, Light), Finding> {
    let memory = |fault: OverBudget| out_of_memory(&fault);
    let shot = plan.footage.shot(cut.shot);
    let area: Rect = found.area;
    let frame = FrameSight {
        shot,
        gains: found.gains,
        held: None,
        account: account.clone(),
    };
    let colour = frame.light(area)?;
    let mut matte = match &found.coverage {
        Some(coverage) => coverage.cropped(area, account).map_err(memory)?,
        None => Matte::filled(area, 1.0, account).map_err(memory)?,
    };
    if shot.has_alpha() {
        for band in area.bands(256) {
            let samples = shot.frame.samples(band, account);
            let picture = samples
                .and_then(|s| s.picture(band, shot.frame.header(), &shot.decoding, account))
                .map_err(|fault| unreadable(&shot.path, &fault))?;
            for y in band.y0..band.y1 {
                for (coverage, pixel) in matte.row_mut(y).iter_mut().zip(picture.row(y)) {
                    *coverage *= pixel.alpha();
                }
            }
        }
    }
    Ok((matte, colour))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_cut_has_a_folder_of_its_own() {
        let cuts = ["nibs/a", "nibs-a", "nibs/a", "nibs-a-2", "b"]
            .iter()
            .enumerate()
            .map(|(k, member)| (CutId(k), (*member).to_owned()))
            .collect::<Vec<_>>();
        assert_eq!(
            folders(&cuts),
            ["nibs-a", "nibs-a-3", "nibs-a-4", "nibs-a-2", "b"]
        );
    }
}
