//! A scene made to be cut up: an odd-sized canvas of five bands of 256 rows with a turned piece across each border,
//! groups, `behind`, defocus, blend modes, a protected area, crops that are made smaller, and dithered outputs.

use crate::common::{Dice, gray16, noise, rgb16, rgba16};
use platewright::color::Named;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

const WIDTH: u32 = 397;
const HEIGHT: u32 = 1151;

/// Writes the frames and `scene.kdl` into `folder`.
pub fn write(folder: &Path) {
    let frames = folder.join("frames");
    fs::create_dir_all(&frames).unwrap();
    let at = |name: &str| frames.join(name);
    let plate = smooth(WIDTH, HEIGHT);
    rgb16(&at("plate.tif"), WIDTH, HEIGHT, &plate, Named::A98Rgb);
    let rough = noise(2, 150 * 110 * 3);
    rgb16(&at("rough.tif"), 150, 110, &rough, Named::Srgb);
    let clear = noise(3, 90 * 130 * 4);
    rgba16(&at("clear.tif"), 90, 130, &clear, Named::DisplayP3);
    let brush = noise(4, 150 * 110);
    gray16(&at("brush.tif"), 150, 110, &brush, Named::Gray);
    fs::write(folder.join("scene.kdl"), text()).unwrap();
}

/// Steps and slopes with a little noise.
fn smooth(width: u32, height: u32) -> Vec<u16> {
    let mut dice = Dice::new(1);
    let mut codes = Vec::new();
    for y in 0..height {
        for x in 0..width {
            for channel in 0..3 {
                let slope = 9000 * channel + 40 * y + 17 * x + 5000 * ((x / 31 + y / 47) % 2);
                codes.push((slope % 60_000 + dice.below(301)) as u16);
            }
        }
    }
    codes
}

fn text() -> String {
    let mut scene = String::from(
        "scene \"banded\" language=1\n\nplate \"frames/plate.tif\"\nworking \"rec2020\"\n\n\
         mask \"post\" { line \"60,20 330,1130\" width=70 feather=5 }\n\n",
    );
    // One piece across each border between bands, each with another kernel and mode.
    let kernels = ["lanczos3", "mitchell", "catmull-rom", "bilinear"];
    let modes = ["normal", "multiply", "luminosity", "screen"];
    for (k, (kernel, mode)) in (1u32..).zip(kernels.iter().zip(modes)) {
        let (x, y) = (20 + 60 * k, 256 * k - 55);
        writeln!(
            scene,
            "element \"border-{k}\" blend=\"{mode}\" {{ frame \"frames/rough.tif\"; offset {x}.3 {y}.7; \
             rotate {}; scale 1.1 0.9; resample \"{kernel}\"; mask {{ ellipse 75 55 70 50; feather 2 }} }}",
            13 * k + 4
        )
        .unwrap();
    }
    scene.push_str(
        r##"
group "pair" opacity=0.7 {
    rotate 8
    mask { keep { all }; cut { rect 100.5 380.25 60 300 }; feather 3 }
    element "a" { frame "frames/clear.tif"; mask { all }; offset 90 410; behind "post" }
    element "b" blend="overlay" in="encoded" { frame "frames/rough.tif"; mask { image "frames/brush.tif" }; offset 130 440 }
    group "inner" blend="color-dodge" {
        correct { exposure -0.4; saturate 1.5 }
        element "c" { frame "frames/clear.tif"; mask { all }; rotate -35; scale 1.7; offset 180 700 }
    }
}
element "copied" { frame "frames/rough.tif"; mask { rect 3 3 140 100 }; rotate 90; offset 30 480 }
element "soft" blend="screen" { frame "frames/clear.tif"; mask { ellipse 45 65 40 60 }; offset 250 180; rotate 21; defocus 8.3 }
element "glow" blend="plus-lighter" opacity=0.3 { frame "frames/clear.tif"; mask { all }; offset 290.25 980.5 }

protect "label" { ellipse 200 640 120 90 }

output "master" { file "master.tif" }
output "eight" { file "eight.png"; crop 11 130 371 901; profile "srgb" }
output "small" { file "small.jpg"; crop "4:5" { centre 210 600 }; size height=333 }
output "thin" { file "thin.png"; depth 16; crop 50 3 97 1145; size 31 366 }
output "moved" { file "moved.tif"; canvas -31 90 450 777; extend "reflect"; change "pair" { nudge 7.5 33.25 }; compression "lzw" }
"##,
    );
    scene
}
