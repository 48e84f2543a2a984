//! How a frame is laid onto its plate: stated in the scene, to be estimated, or left as it is.

use crate::geom::Map;
use crate::register::Motion;
use crate::scene::{Align, Balance, Slot, Treatment};

/// Frame to plate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Carry {
    Off,
    Stated(Map),
    Estimated(Motion),
}

/// What the frame's light is multiplied by to match its plate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Gains {
    Off,
    Stated([f64; 3]),
    Estimated(Part),
}

/// Which part of estimated gains is used: their geometric mean is the exposure, the rest is the white.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    Both,
    Exposure,
    White,
}

/// Both for one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Laying {
    pub carry: Carry,
    pub gains: Gains,
}

impl Laying {
    pub const OFF: Laying = Laying {
        carry: Carry::Off,
        gains: Gains::Off,
    };

    /// What a mask with a `piece` asks for by itself.
    pub const FOUND: Laying = Laying {
        carry: Carry::Estimated(Motion::Shift),
        gains: Gains::Estimated(Part::Both),
    };

    /// What a member says, over what is usual for its mask.
    pub(super) fn of(treatment: &Treatment, usual: Laying) -> Laying {
        Laying {
            carry: match &treatment.align {
                Slot::Unset => usual.carry,
                Slot::Off(_) => Carry::Off,
                Slot::Set(align) => carry(&align.value),
            },
            gains: match &treatment.balance {
                Slot::Unset => usual.gains,
                Slot::Off(_) => Gains::Off,
                Slot::Set(balance) => match balance.value {
                    Balance::Both => Gains::Estimated(Part::Both),
                    Balance::Exposure => Gains::Estimated(Part::Exposure),
                    Balance::White => Gains::Estimated(Part::White),
                    Balance::Gains(gains) => Gains::Stated(gains),
                },
            },
        }
    }

    /// Whether pixels of the plate are looked at.
    pub fn needs_plate(&self) -> bool {
        matches!(self.carry, Carry::Estimated(_)) || matches!(self.gains, Gains::Estimated(_))
    }
}

fn carry(align: &Align) -> Carry {
    match *align {
        Align::Shift => Carry::Estimated(Motion::Shift),
        Align::Similarity => Carry::Estimated(Motion::Similarity),
        Align::Perspective => Carry::Estimated(Motion::Perspective),
        Align::By([dx, dy]) => Carry::Stated(Map::translation(dx, dy)),
        Align::Affine(numbers) => Carry::Stated(Map::affine(numbers)),
        // The same map whatever number its last place holds; 1 is the one that affine maps have.
        Align::Projective(numbers) => {
            let last = if numbers[8] == 0.0 { 1.0 } else { numbers[8] };
            let [a, b, c, d, e, f, g, h, i] = numbers.map(|v| v / last);
            Carry::Stated(Map([[a, b, c], [d, e, f], [g, h, i]]))
        }
    }
}
