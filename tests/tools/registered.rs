//! Prints where frames lie on plates and what brings their exposure and white to them.
//!
//! Each line of the input is `MOTION FRAME PLATE` (`shift`, `similarity` or `perspective`, two picture files read
//! as sRGB). Each answer is one line: the trust, nine numbers of the map frame to plate row by row, the shift found
//! (two), its deviation (two), and three gains.

use platewright::budget::{Account, OverBudget};
use platewright::color::{Decoding, Named, Profile, Space};
use platewright::frame::Frame;
use platewright::geom::Rect;
use platewright::raster::{Light, Raster, Seen};
use platewright::register::{Motion, aligned, balanced, carried};
use std::io::BufRead;
use std::path::Path;

struct Shown(Light, Account);

impl Seen for Shown {
    type Fault = OverBudget;

    fn rect(&self) -> Rect {
        self.0.rect()
    }

    fn light(&self, rect: Rect) -> Result<Light, Self::Fault> {
        self.0.cropped(rect, &self.1)
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    for line in std::io::stdin().lock().lines() {
        println!("{}", answer(&line?)?);
    }
    Ok(())
}

fn answer(line: &str) -> Result<String, Box<dyn std::error::Error>> {
    let words: Vec<&str> = line.split(' ').collect();
    let [motion, frame, plate] = words[..] else {
        return Err("a line is MOTION FRAME PLATE".into());
    };
    let motion = match motion {
        "shift" => Motion::Shift,
        "similarity" => Motion::Similarity,
        "perspective" => Motion::Perspective,
        _ => return Err("no such motion".into()),
    };
    let account = Account::unlimited();
    let (frame, plate) = (shown(frame, &account)?, shown(plate, &account)?);
    let found = aligned(&frame, &plate, motion, &account)?;
    let rect = frame.rect();
    let over = Shown(
        carried(&plate, &found.map, rect, &account)?,
        account.clone(),
    );
    let balance = balanced(&frame, &over, &account)?;
    let mut numbers: Vec<f64> = found.map.0.concat();
    numbers.extend(found.shift);
    numbers.extend(found.deviation);
    numbers.extend(balance.gains);
    let numbers: Vec<String> = numbers.iter().map(|v| format!("{v:.12}")).collect();
    Ok(format!("{:?} {}", found.trust, numbers.join(" ")))
}

fn shown(path: &str, account: &Account) -> Result<Shown, Box<dyn std::error::Error>> {
    let frame = Frame::open(Path::new(path), account).map_err(|why| why.to_string())?;
    let profile = Profile::named(Named::Srgb);
    let decoding = Decoding::new(&profile, &Space::of(&profile));
    let rect = frame.rect();
    let samples = frame
        .samples(rect, account)
        .map_err(|why| why.to_string())?;
    let picture = samples.picture(rect, frame.header(), &decoding, account)?;
    let mut light = Raster::filled(rect, [0.0; 3], account)?;
    for (out, pixel) in light.data_mut().iter_mut().zip(picture.data()) {
        *out = [pixel.0[0], pixel.0[1], pixel.0[2]];
    }
    Ok(Shown(light, account.clone()))
}
