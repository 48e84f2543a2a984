//! What `each`, a member and an output's `change` say together.

use crate::scene::{Change, Edits, FrameRef, Placement, Props, Slot, Treatment};

fn over<T: Clone>(own: &Slot<T>, outer: &Slot<T>) -> Slot<T> {
    own.or(outer).clone()
}

fn placement_over(own: &Placement, outer: &Placement) -> Placement {
    Placement {
        offset: over(&own.offset, &outer.offset),
        scale: over(&own.scale, &outer.scale),
        rotate: over(&own.rotate, &outer.rotate),
        flip: over(&own.flip, &outer.flip),
        pivot: over(&own.pivot, &outer.pivot),
    }
}

/// `own` node by node, with `outer`'s node where `own` has none.
pub(super) fn treatment_over(own: &Treatment, outer: &Treatment) -> Treatment {
    let own_mends = !own.mends.is_empty() || own.no_mends.is_some();
    let mended = if own_mends { own } else { outer };
    Treatment {
        align: over(&own.align, &outer.align),
        balance: over(&own.balance, &outer.balance),
        mask: over(&own.mask, &outer.mask),
        mends: mended.mends.clone(),
        no_mends: mended.no_mends,
        correct: over(&own.correct, &outer.correct),
        defocus: over(&own.defocus, &outer.defocus),
        placement: placement_over(&own.placement, &outer.placement),
        resample: over(&own.resample, &outer.resample),
        behind: over(&own.behind, &outer.behind),
        shadow: over(&own.shadow, &outer.shadow),
    }
}

/// Properties of a change in front of the member's own.
pub(super) fn props_over(own: &Props, outer: &Props) -> Props {
    Props {
        order: own.order.or(outer.order),
        opacity: own.opacity.or(outer.opacity),
        blend: own.blend.or(outer.blend),
        mixing: own.mixing.or(outer.mixing),
        off: own.off.or(outer.off),
        plate: own.plate.clone().or_else(|| outer.plate.clone()),
        isolate: own.isolate.or(outer.isolate),
    }
}

/// What an output says about one member.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Told<'a> {
    pub change: Option<&'a Change>,
    /// `hide` or `show`.
    pub shown: Option<bool>,
}

impl<'a> Told<'a> {
    pub fn about(path: &str, edits: Option<&'a Edits>) -> Told<'a> {
        let Some(edits) = edits else {
            return Told::default();
        };
        Told {
            change: edits.changes.iter().find(|c| c.path.value == path),
            shown: edits
                .shown
                .iter()
                .find(|(p, _)| p.value == path)
                .map(|(_, shown)| *shown),
        }
    }

    pub fn props(&self, own: &Props) -> Props {
        match self.change {
            Some(change) => props_over(&change.props, own),
            None => own.clone(),
        }
    }

    pub fn treatment(&self, own: &Treatment) -> Treatment {
        match self.change {
            Some(change) => treatment_over(&change.treatment, own),
            None => own.clone(),
        }
    }

    pub fn frame<'b>(&self, own: &'b FrameRef) -> &'b FrameRef
    where
        'a: 'b,
    {
        self.change.and_then(|c| c.frame.as_ref()).unwrap_or(own)
    }

    pub fn nudge(&self) -> [f64; 2] {
        self.change.map_or([0.0, 0.0], |c| c.nudge)
    }

    pub fn is_off(&self, props: &Props) -> bool {
        match self.shown {
            Some(shown) => !shown,
            None => props.off.is_some_and(|off| off.value),
        }
    }
}
