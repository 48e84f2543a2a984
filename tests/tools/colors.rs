//! Converts colours from one profile to another, for checks against other engines.
//!
//! `colors profile NAME` writes a named profile's ICC bytes to standard output.
//! `colors codes FROM TO WORKING` reads little-endian u16 samples from standard input, decodes them by the profile
//! FROM into the primaries of the profile WORKING, and writes codes of the profile TO.
//! `colors floats FROM TO WORKING` does the same with little-endian f32 samples, not clipped.
//! A profile is a file, or a name: srgb display-p3 a98-rgb rec2020 romm gray. Gray has one sample a pixel, others three.

use std::error::Error;
use std::io::{Read, Write};

use platewright::color::{Decoding, Encoding, Named, Profile, Space};

fn main() -> Result<(), Box<dyn Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    let written = match words[..] {
        ["profile", name] => profile(name)?.bytes().to_vec(),
        ["codes", from, to, working] => {
            let path = Path::new(from, to, working)?;
            path.converted(&input()?, |light| {
                path.encoding.u16(light).map(u16::to_le_bytes)
            })
        }
        ["floats", from, to, working] => {
            let path = Path::new(from, to, working)?;
            path.converted(&input()?, |light| {
                path.encoding.float(light).map(f32::to_le_bytes)
            })
        }
        _ => return Err("usage: colors profile NAME | codes|floats FROM TO WORKING".into()),
    };
    std::io::stdout().write_all(&written)?;
    Ok(())
}

fn profile(word: &str) -> Result<Profile, Box<dyn Error>> {
    let name = match word {
        "srgb" => Named::Srgb,
        "display-p3" => Named::DisplayP3,
        "a98-rgb" => Named::A98Rgb,
        "rec2020" => Named::Rec2020,
        "romm" => Named::Romm,
        "gray" => Named::Gray,
        file => return Ok(Profile::parse(&std::fs::read(file)?)?),
    };
    Ok(Profile::named(name))
}

fn input() -> Result<Vec<u8>, Box<dyn Error>> {
    let mut bytes = Vec::new();
    std::io::stdin().read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// From one profile through a working space to another.
struct Path {
    channels: usize,
    decoding: Decoding,
    encoding: Encoding,
}

impl Path {
    fn new(from: &str, to: &str, working: &str) -> Result<Path, Box<dyn Error>> {
        let (from, to, space) = (profile(from)?, profile(to)?, Space::of(&profile(working)?));
        Ok(Path {
            channels: if from.is_gray() { 1 } else { 3 },
            decoding: Decoding::new(&from, &space),
            encoding: Encoding::new(&space, &to),
        })
    }

    /// Samples of two or four bytes in, samples of the same size out.
    fn converted<const SIZE: usize>(
        &self,
        bytes: &[u8],
        encode: impl Fn([f32; 3]) -> [[u8; SIZE]; 3],
    ) -> Vec<u8> {
        let mut out = Vec::with_capacity(bytes.len() * 3);
        for pixel in bytes.chunks_exact(SIZE * self.channels) {
            let light = [0, 1, 2].map(|channel| {
                let at = SIZE * channel.min(self.channels - 1);
                self.light(channel, &pixel[at..at + SIZE])
            });
            let samples = encode(self.decoding.to_space(light));
            for sample in &samples[..self.encoding.channels()] {
                out.extend(sample);
            }
        }
        out
    }

    fn light(&self, channel: usize, sample: &[u8]) -> f32 {
        match *sample {
            [low, high] => {
                self.decoding.table16(channel)[usize::from(u16::from_le_bytes([low, high]))]
            }
            [a, b, c, d] => self
                .decoding
                .curve(channel, f64::from(f32::from_le_bytes([a, b, c, d]))),
            _ => unreachable!("samples have two or four bytes"),
        }
    }
}
