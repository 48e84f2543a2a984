//! The set as it is built: soft boxes, bottle, and the table dry, wet or bare.

use crate::bottle::bottle;
use crate::mesh::{Mesh, Pose, Seam};
use crate::pieces::rod;
use crate::shots::{Hung, Plate, Shot};
use crate::splash::{crown, spilled};
use crate::surface::{Body, Medium, Paint, Surface};
use crate::vector::{V3, v};
use crate::world::{Light, Thing, World};

/// The colour of the ink that is photographed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Ink {
    Indigo,
    Crimson,
}

impl Ink {
    pub fn name(self) -> &'static str {
        match self {
            Ink::Indigo => "indigo",
            Ink::Crimson => "crimson",
        }
    }

    /// In the bottle it is thinned, so that light gets through it; thrown up it is not.
    fn medium(self, thinned: f32) -> Medium {
        let absorb = match self {
            Ink::Indigo => v(1.25, 0.74, 0.13),
            Ink::Crimson => v(0.10, 1.15, 0.72),
        };
        Medium {
            index: 1.345,
            absorb: absorb * thinned,
        }
    }

    fn print(self) -> V3 {
        match self {
            Ink::Indigo => v(0.030, 0.045, 0.150),
            Ink::Crimson => v(0.230, 0.018, 0.032),
        }
    }
}

fn lights() -> [Light; 4] {
    let bottle = v(0.0, 70.0, 0.0);
    [
        // The key: large, high on the left and a little in front.
        Light::facing(
            v(-470.0, 450.0, 470.0),
            bottle,
            [460.0, 640.0],
            v(7.4, 7.25, 7.0),
            0.5,
        ),
        // A strip behind on the right draws the rims.
        Light::facing(
            v(470.0, 260.0, -230.0),
            bottle,
            [130.0, 720.0],
            v(6.2, 6.3, 6.5),
            0.35,
        ),
        // A box overhead and behind.
        Light::facing(
            v(-40.0, 760.0, -240.0),
            bottle,
            [640.0, 320.0],
            v(2.3, 2.3, 2.3),
            0.4,
        ),
        // A white card in front on the right fills what the key leaves dark.
        Light::facing(
            v(430.0, 240.0, 560.0),
            bottle,
            [640.0, 640.0],
            v(0.62, 0.60, 0.57),
            0.5,
        ),
    ]
}

/// What stands and lies on the table.
fn on_table(plate: Plate, ink: Ink) -> Vec<(Body, Mesh)> {
    match plate {
        Plate::Bare => Vec::new(),
        Plate::Dry => bottle(ink.medium(0.3), ink.print()),
        Plate::Wet => spilled(ink.medium(1.0)),
        Plate::DarkCard => vec![card(0.035)],
        Plate::LightCard => vec![card(0.72)],
    }
}

/// A matt card of one reflectance that fills the frame behind what hangs in the air.
fn card(reflectance: f32) -> (Body, Mesh) {
    let surface = Surface::Coated {
        paint: Paint::Flat(V3::splat(reflectance)),
        sheen: 0.0,
        roughness: 1.0,
    };
    let mesh = Mesh::sheet(1, 1, Seam::Open, |a, b| {
        (v(640.0 * a - 320.0, 480.0 * b, -150.0), [a, b])
    });
    (Body::whole(surface), mesh)
}

/// A plate: the set with nothing in the air.
pub fn plate(plate: Plate, ink: Ink) -> World {
    let mut parts = on_table(Plate::Dry, ink);
    match plate {
        Plate::Bare => parts.clear(),
        Plate::Dry => {}
        Plate::Wet => parts.extend(on_table(plate, ink)),
        Plate::DarkCard | Plate::LightCard => parts = on_table(plate, ink),
    }
    World {
        set: Thing::new(parts),
        piece: Thing::default(),
        rod: Thing::default(),
        lights: lights(),
    }
}

/// The plate before it (bare, dry, wet), with what this one adds in the piece's place.
pub fn added(which: Plate, ink: Ink) -> World {
    let before = if which == Plate::Wet {
        Plate::Dry
    } else {
        Plate::Bare
    };
    World {
        piece: Thing::new(on_table(which, ink)),
        ..plate(before, ink)
    }
}

/// Hangs a shot's piece and its rod into a plate's world. Liquid is modelled in cells of `cell` mm.
pub fn hang(world: &mut World, shot: &Shot, ink: Ink, cell: f32) {
    (world.piece, world.rod) = match &shot.hung {
        Hung::Piece {
            kind,
            turn,
            at,
            stock,
            outside,
        } => {
            let pose = Pose::turned(*turn, *at);
            let parts = kind
                .parts()
                .into_iter()
                .map(|(body, mesh)| (body, mesh.posed(&pose)))
                .collect();
            (
                Thing::new(parts),
                Thing::new(rod(*stock, pose.point(kind.hold()), *outside)),
            )
        }
        Hung::Crown { at } => (
            Thing::new(crown(ink.medium(1.0), *at, cell)),
            Thing::default(),
        ),
        Hung::Veil { at } => (
            Thing::new(crown(ink.medium(0.15), *at, cell)),
            Thing::default(),
        ),
    };
}
