//! Files whose pixels can't be read: where one is met, all the others are looked at too, so that a shoot copied badly is
//! told in one run.

use super::coverage::{ROWS, unreadable};
use super::sight::decoded;
use crate::budget::Account;
use crate::diag::Finding;
use crate::geom::Rect;
use crate::plan::{Footage, Painted, Shot};

/// What stopped a run, with all other files that are damaged, each at its place in the text.
pub fn with_all_broken(found: Vec<Finding>, footage: &Footage, account: &Account) -> Vec<Finding> {
    let damaged = |finding: &Finding| finding.id == UNREADABLE;
    if !found.iter().any(damaged) {
        return found;
    }
    let shots = footage.shots.iter().map(|shot| shot_fault(shot, account));
    let painted = footage.painted.iter();
    let painted = painted.map(|painted| painted_fault(painted, account));
    let mut all: Vec<Finding> = shots.chain(painted).flatten().collect();
    // What is not met again stays as it was told, in front.
    let known = |finding: &Finding| all.iter().any(|other| other.frame == finding.frame);
    let mut told: Vec<Finding> = found
        .into_iter()
        .filter(|finding| !(damaged(finding) && known(finding)))
        .collect();
    told.append(&mut all);
    told
}

/// What [`unreadable`] says.
const UNREADABLE: &str = "frame-unreadable";

fn shot_fault(shot: &Shot, account: &Account) -> Option<Finding> {
    let read = |band: Rect| decoded(shot, band, account).err();
    let fault = shot.rect().bands(ROWS).find_map(read)?;
    (fault.id == UNREADABLE).then(|| fault.at(shot.span))
}

fn painted_fault(painted: &Painted, account: &Account) -> Option<Finding> {
    let header = painted.frame.header();
    let whole = Rect::of_size(header.width, header.height);
    let fault = whole
        .bands(ROWS)
        .find_map(|band| painted.frame.samples(band, account).err())?;
    let fault = unreadable(&painted.path, &fault);
    (fault.id == UNREADABLE).then(|| fault.at(painted.span))
}
