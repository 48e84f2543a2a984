//! Protected areas: how much of each is covered, by which members, and where, output by output.

use crate::deliver::Measured;
use crate::diag::{Finding, Space};
use crate::geom::Rect;
use crate::plan::Protect;
use crate::render::Covered;
use std::cmp::Reverse;

/// Less of an area than this is nothing anyone could point at.
const COVERED_LIMIT: f64 = 0.0001;

/// A `look` for every protected area that members cover by 0.01 % or more.
pub fn covered(protects: &[Protect], measured: &[Measured]) -> Vec<Finding> {
    measured
        .iter()
        .filter_map(|one| finding(&protects[one.protect], one))
        .collect()
}

fn finding(protect: &Protect, measured: &Measured) -> Option<Finding> {
    let share = |area: u64| area as f64 / measured.area as f64;
    let all: u64 = measured.members.iter().map(|(_, c)| c.area).sum();
    if measured.area == 0 || share(all) < COVERED_LIMIT {
        return None;
    }
    let mut members: Vec<&(String, Covered)> = measured.members.iter().collect();
    // The worst first; ties keep the order of the stack.
    members.sort_by_key(|(_, c)| Reverse(c.area));
    let by = members
        .iter()
        .map(|(name, c)| format!("{name} {:.2} %", 100.0 * share(c.area)))
        .collect::<Vec<_>>()
        .join(", ");
    let place = members
        .iter()
        .fold(Rect::EMPTY, |all, (_, c)| all.united(&c.place));
    let worst = members.first().map_or("", |(name, _)| name.as_str());
    let message = format!(
        "{:.2} % of the protected \"{}\" is covered, by {by}",
        100.0 * share(all),
        protect.name
    );
    Some(
        Finding::look("protect-covered", message)
            .at(protect.span)
            .output(measured.output.as_str())
            .member(worst)
            .place(Space::Canvas, place)
            .measured(share(all), COVERED_LIMIT)
            .remedy(format!(
                "move or mask the member, or for this output only: change \"{worst}\" {{ nudge dx dy }}"
            )),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diag::{SourceId, Span};
    use crate::plan::MaskId;

    fn told(members: &[(&str, u64)]) -> Vec<Finding> {
        let span = Span {
            source: SourceId(0),
            start: 0,
            end: 1,
        };
        let protects = [Protect {
            name: "label".into(),
            mask: MaskId(0),
            span,
        }];
        let members = members.iter().map(|(name, area)| {
            let place = Rect::new(4, 5, 6, 7);
            (name.to_string(), Covered { area: *area, place })
        });
        let measured = [Measured {
            output: "master".into(),
            protect: 0,
            area: 65_536 * 100,
            members: members.collect(),
        }];
        covered(&protects, &measured)
    }

    #[test]
    fn the_worst_member_comes_first_and_shares_add_up() {
        let found = told(&[("nib", 65_536), ("clip", 65_536 * 12)]);
        assert_eq!(
            found[0].message,
            "13.00 % of the protected \"label\" is covered, by clip 12.00 %, nib 1.00 %"
        );
        assert_eq!(found[0].member.as_deref(), Some("clip"));
        assert_eq!(found[0].number, Some(0.13));
    }

    #[test]
    fn next_to_nothing_is_nothing() {
        // 1/10,000 of the area is 655.36 of these units.
        assert!(told(&[("nib", 655)]).is_empty());
        assert_eq!(told(&[("nib", 656)]).len(), 1);
        assert!(told(&[]).is_empty());
    }
}
