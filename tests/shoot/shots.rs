//! The day's shooting list: every frame with its piece, how it hangs, what holds it, and where it ends up in the picture.

use crate::pieces::{Kind, Stock};
use crate::vector::{V3, v};

/// Which state of the set is seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Plate {
    Dry,
    Wet,
    Bare,
    /// The bare table with a card close behind what hangs there, one after the other.
    DarkCard,
    LightCard,
}

/// What hangs in a frame.
#[derive(Clone, Debug)]
pub enum Hung {
    /// Turned by degrees about x, y, z, its middle at `at`, held by a rod that comes from `outside`, mm.
    Piece {
        kind: Kind,
        turn: V3,
        at: V3,
        stock: Stock,
        outside: V3,
    },
    /// Thrown up around a place on the table.
    Crown { at: V3 },
    /// A crown of thinned ink, caught in the air: light gets through nearly all of it.
    Veil { at: V3 },
}

/// One frame.
#[derive(Clone, Debug)]
pub struct Shot {
    pub name: &'static str,
    pub hung: Hung,
    pub plate: Plate,
    /// Part of the small set.
    pub chosen: bool,
    /// Where the finished picture has it, if it does: whole pixels at 800 rows, depth (higher is nearer), behind the bottle.
    pub placed: Option<Placed>,
}

#[derive(Clone, Copy, Debug)]
pub struct Placed {
    pub offset: [i32; 2],
    pub order: i32,
    pub behind: bool,
}

fn piece(name: &'static str, kind: Kind, turn: V3, at: V3, stock: Stock, outside: V3) -> Shot {
    Shot {
        name,
        hung: Hung::Piece {
            kind,
            turn,
            at,
            stock,
            outside,
        },
        plate: Plate::Dry,
        chosen: false,
        placed: None,
    }
}

impl Shot {
    fn placed(self, x: i32, y: i32, order: i32) -> Shot {
        let behind = self.placed.is_some_and(|p| p.behind);
        Shot {
            chosen: true,
            placed: Some(Placed {
                offset: [x, y],
                order,
                behind,
            }),
            ..self
        }
    }

    fn behind(mut self) -> Shot {
        if let Some(placed) = &mut self.placed {
            placed.behind = true;
        }
        self
    }
}

/// Every frame with a piece, in the order they were taken.
pub fn list() -> Vec<Shot> {
    use Kind::*;
    use Stock::*;
    vec![
        piece(
            "nib-a-1",
            SteelNib,
            v(8.0, 24.0, 152.0),
            v(-44.0, 128.0, 22.0),
            BlackRod,
            v(-190.0, 190.0, 0.0),
        )
        .placed(0, 0, 60),
        piece(
            "nib-a-2",
            SteelNib,
            v(20.0, 40.0, 60.0),
            v(48.0, 128.0, 10.0),
            BlackRod,
            v(190.0, 140.0, -10.0),
        ),
        piece(
            "nib-a-3",
            SteelNib,
            v(10.0, -150.0, 200.0),
            v(0.0, 140.0, 0.0),
            SteelWire,
            v(-10.0, 330.0, -20.0),
        ),
        piece(
            "nib-b-1",
            BrassNib,
            v(6.0, -22.0, 206.0),
            v(60.0, 78.0, 50.0),
            SteelWire,
            v(190.0, 150.0, 40.0),
        )
        .placed(6, -86, 70),
        piece(
            "nib-b-2",
            BrassNib,
            v(-50.0, 10.0, 130.0),
            v(50.0, 100.0, 40.0),
            Skewer,
            v(200.0, 110.0, 30.0),
        ),
        piece(
            "nib-b-3",
            BrassNib,
            v(15.0, -60.0, 250.0),
            v(-56.0, 100.0, 30.0),
            SteelWire,
            v(-60.0, 330.0, 20.0),
        ),
        piece(
            "nib-c-1",
            BroadNib,
            v(-6.0, -10.0, -28.0),
            v(22.0, 128.0, -42.0),
            BrassRod,
            v(210.0, 92.0, -60.0),
        )
        .placed(8, 178, 30)
        .behind(),
        piece(
            "nib-c-2",
            BroadNib,
            v(30.0, -40.0, 20.0),
            v(-40.0, 120.0, 10.0),
            BlackRod,
            v(-200.0, 90.0, 0.0),
        ),
        piece(
            "nib-c-3",
            BroadNib,
            v(-30.0, 60.0, 100.0),
            v(44.0, 140.0, 0.0),
            SteelWire,
            v(200.0, 180.0, 0.0),
        ),
        piece(
            "curl-a-1",
            TightCurl,
            v(24.0, 20.0, -38.0),
            v(54.0, 146.0, -18.0),
            WhiteTube,
            v(210.0, 190.0, -40.0),
        )
        .placed(0, 0, 40),
        piece(
            "curl-a-2",
            TightCurl,
            v(-30.0, 80.0, 60.0),
            v(-50.0, 130.0, 10.0),
            SteelWire,
            v(-200.0, 150.0, -10.0),
        ),
        piece(
            "curl-a-3",
            TightCurl,
            v(60.0, 10.0, 10.0),
            v(0.0, 140.0, 0.0),
            Skewer,
            v(20.0, 330.0, -30.0),
        ),
        piece(
            "curl-b-1",
            LooseCurl,
            v(34.0, -60.0, 62.0),
            v(-66.0, 64.0, 10.0),
            Skewer,
            v(-210.0, 60.0, -30.0),
        )
        .placed(-14, -34, 50),
        piece(
            "curl-b-2",
            LooseCurl,
            v(-20.0, 140.0, 20.0),
            v(60.0, 120.0, 0.0),
            WhiteTube,
            v(210.0, 120.0, -20.0),
        ),
        piece(
            "curl-b-3",
            LooseCurl,
            v(70.0, 30.0, -30.0),
            v(-40.0, 140.0, -20.0),
            BlackRod,
            v(-60.0, 330.0, -40.0),
        ),
        piece(
            "clip-a-1",
            WireClip,
            v(-25.0, 30.0, 40.0),
            v(-4.0, 172.0, -6.0),
            SteelWire,
            v(-40.0, 330.0, -20.0),
        )
        .placed(0, 0, 20),
        piece(
            "clip-a-2",
            WireClip,
            v(40.0, -20.0, 100.0),
            v(50.0, 110.0, 20.0),
            BlackRod,
            v(200.0, 100.0, 10.0),
        ),
        piece(
            "clip-a-3",
            WireClip,
            v(0.0, 60.0, -20.0),
            v(-50.0, 140.0, 0.0),
            BrassRod,
            v(-200.0, 170.0, -10.0),
        ),
        piece(
            "clip-b-1",
            JawClip,
            v(22.0, -34.0, -32.0),
            v(76.0, 40.0, -6.0),
            BlackRod,
            v(220.0, 46.0, -40.0),
        )
        .placed(0, 0, 45),
        piece(
            "clip-b-2",
            JawClip,
            v(-30.0, 50.0, 60.0),
            v(-60.0, 130.0, 10.0),
            SteelWire,
            v(-200.0, 200.0, 0.0),
        ),
        piece(
            "clip-b-3",
            JawClip,
            v(60.0, 10.0, 190.0),
            v(30.0, 150.0, -10.0),
            Skewer,
            v(60.0, 330.0, -30.0),
        ),
        crown("crown-27", v(-8.0, 0.0, -78.0)).placed(0, 0, 10),
        crown("crown-28", v(-30.0, 0.0, -66.0)),
        crown("crown-31", v(8.0, 0.0, -80.0)),
    ]
}

fn crown(name: &'static str, at: V3) -> Shot {
    Shot {
        name,
        hung: Hung::Crown { at },
        plate: Plate::Wet,
        chosen: false,
        placed: None,
    }
}

/// Frames that no finished picture has: pieces hung before the wet set, with its drips behind them and around them, and
/// one see-through thing before a dark and a light card, and before the bare table.
pub fn more() -> Vec<Shot> {
    use Kind::*;
    use Stock::*;
    let wet = |shot: Shot| Shot {
        plate: Plate::Wet,
        ..shot
    };
    vec![
        wet(piece(
            "nib-wet",
            SteelNib,
            v(8.0, 24.0, 152.0),
            v(-50.0, 24.0, 28.0),
            BlackRod,
            v(-190.0, 60.0, 20.0),
        )),
        wet(piece(
            "clip-wet",
            JawClip,
            v(22.0, -34.0, -32.0),
            v(56.0, 22.0, 8.0),
            SteelWire,
            v(220.0, 60.0, -20.0),
        )),
        veil("veil-dark", Plate::DarkCard),
        veil("veil-light", Plate::LightCard),
        veil("veil-table", Plate::Bare),
    ]
}

fn veil(name: &'static str, plate: Plate) -> Shot {
    Shot {
        hung: Hung::Veil {
            at: v(0.0, 62.0, -20.0),
        },
        plate,
        ..crown(name, V3::ZERO)
    }
}
