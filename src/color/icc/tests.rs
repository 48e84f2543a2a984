//! Profiles that must be refused, and damaged ones that must not do harm.

use super::bytes::be32;
use super::read::{MOST_BYTES, description, parsed};
use super::write::{with_curves, written};
use crate::color::{Decoding, Encoding, Named, Profile, Space};

fn srgb() -> Vec<u8> {
    written(Named::Srgb)
}

/// sRGB's profile with `bytes` written over it at `at`.
fn patched(at: usize, bytes: &[u8]) -> Vec<u8> {
    let mut icc = srgb();
    icc[at..at + bytes.len()].copy_from_slice(bytes);
    icc
}

/// The place of a tag's entry in the table, and of its data.
fn places(tag: &[u8; 4]) -> (usize, usize) {
    let icc = srgb();
    let entry = (132..).step_by(12).find(|&at| icc[at..at + 4] == *tag);
    let entry = entry.unwrap();
    (entry, be32(&icc, entry + 4).unwrap() as usize)
}

fn with_curve(tag: &[u8]) -> Vec<u8> {
    with_curves(Named::Srgb, [tag.to_vec(), tag.to_vec(), tag.to_vec()])
}

fn table(entries: &[u16]) -> Vec<u8> {
    let mut tag = b"curv\0\0\0\0".to_vec();
    tag.extend((entries.len() as u32).to_be_bytes());
    tag.extend(entries.iter().flat_map(|entry| entry.to_be_bytes()));
    tag
}

fn refusal(icc: &[u8]) -> String {
    Profile::parse(icc).unwrap_err().to_string()
}

#[test]
fn refusals_of_the_header() {
    let said = [
        refusal(&srgb()[..100]),
        refusal(&srgb()[..300]),
        refusal(&vec![0; MOST_BYTES + 1]),
        refusal(&patched(36, b"ac\0p")),
        refusal(&patched(8, &[5, 0x10])),
        refusal(&patched(12, b"link")),
        refusal(&patched(16, b"CMYK")),
        refusal(&patched(16, b"Lab ")),
        refusal(&patched(20, b"Lab ")),
    ];
    insta::assert_snapshot!(said.join("\n"), @r#"
    the profile is cut short: it has 100 bytes and needs 132
    the profile is cut short: it has 300 bytes and needs 552
    the profile has 16777217 bytes; at most 16777216 (16 MiB) are read
    this is not an ICC profile: bytes 36 to 39 are "ac.p" instead of "acsp"
    the profile is of ICC version 5.1; versions 2 and 4 can be read
    the profile is of class "link"; "mntr", "scnr", "prtr" and "spac" describe pictures
    the profile is for the colour space "CMYK"; RGB and gray profiles can be read
    the profile is for the colour space "Lab "; RGB and gray profiles can be read
    the profile connects through "Lab "; profiles of matrix and curves connect through XYZ
    "#);
}

#[test]
fn refusals_of_tags() {
    let (red, red_data) = places(b"rXYZ");
    let (copyright, _) = places(b"cprt");
    let (_, curve_data) = places(b"rTRC");
    let (_, green_data) = places(b"gXYZ");
    let same_primary = srgb()[red_data..red_data + 20].to_vec();
    let said = [
        refusal(&patched(128, &[0, 0, 4, 1])),
        refusal(&patched(red + 4, &[0, 0, 255, 255])),
        refusal(&patched(red + 8, &[255, 255, 255, 255])),
        refusal(&patched(red, b"sXYZ")),
        refusal(&patched(red_data, b"text")),
        refusal(&patched(copyright, b"A2B0")),
        refusal(&patched(copyright, b"B2A1")),
        refusal(&patched(curve_data, b"sf32")),
        refusal(&patched(curve_data + 8, &[0, 5])),
        refusal(&patched(green_data, &same_primary)),
        refusal(&patched(green_data + 12, &[0, 9])),
    ];
    insta::assert_snapshot!(said.join("\n"), @r#"
    the profile says it has 1025 tags; there is room for 35
    tag "rXYZ" spans 20 bytes from 65535 on, outside the profile's 552 bytes
    tag "rXYZ" spans 4294967295 bytes from 460 on, outside the profile's 552 bytes
    the profile has no "rXYZ" tag
    tag "rXYZ" is of type "text" with 20 bytes; a primary is "XYZ " with 20
    the profile has a look-up table (tag "A2B0"): LUT profiles are not built yet; convert the picture to a profile of matrix and curves
    the profile has a look-up table (tag "B2A1"): LUT profiles are not built yet; convert the picture to a profile of matrix and curves
    tag "rTRC" is of type "sf32"; a curve is "curv" or "para"
    tag "rTRC" is a parametric curve of type 5; types 0 to 4 are defined
    the profile's primaries can't be used: their matrix can't be inverted: its determinant is 0.000000; at least 0.0001 is needed
    the profile's primaries can't be used: white has the luminance 10.000000; it must lie from 0.5 to 2
    "#);
}

#[test]
fn refusals_of_curves() {
    let mut many = table(&[0, 65535]);
    many[8..12].copy_from_slice(&65537u32.to_be_bytes());
    let mut short = table(&[0, 65535]);
    short[11] = 200;
    let said = [
        refusal(&with_curve(&many)),
        refusal(&with_curve(&short)),
        refusal(&with_curve(&table(&[0]))),
        refusal(&with_curve(&table(&[0, 500, 499, 65535]))),
        refusal(&with_curve(&table(&[77, 77, 77]))),
        refusal(&with_curve(&table(&[65535, 0]))),
        refusal(&with_curve(b"para\0\0\0\0\0\0\0\0\0\0\0\0")),
        refusal(&with_curve(b"para\0\0\0\0\0\x03\0\0\0\x01\0\0")),
    ];
    insta::assert_snapshot!(said.join("\n"), @r#"
    the curve "rTRC" can't be used: it says it has 65537 entries; at most 65536 are read
    tag "rTRC" has 16 bytes and needs 412
    the curve "rTRC" can't be used: g is 0.000000 and a is 1.000000; g must lie from 0.1 to 10 and a above 0
    the curve "rTRC" can't be used: it falls from 500 to 499 at entry 2 of 4
    the curve "rTRC" can't be used: it goes from 0.001175 to 0.001175; it must rise by at least 0.003906 and end at or below 4
    the curve "rTRC" can't be used: it falls from 65535 to 0 at entry 1 of 2
    the curve "rTRC" can't be used: g is 0.000000 and a is 1.000000; g must lie from 0.1 to 10 and a above 0
    tag "rTRC" has 16 bytes and needs 32
    "#);
}

/// Real profiles are padded by writers, and their text is of two kinds.
#[test]
fn oddities_are_read() {
    let mut padded = srgb();
    let size = padded.len();
    padded.extend([0; 7]);
    padded[35] ^= 1;
    let profile = Profile::parse(&padded).unwrap();
    assert_eq!(profile.bytes().len(), size);

    let text = |kind: &[u8], rest: &[u8]| description(&[kind, rest].concat());
    let plain = b"\0\0\0\0\0\0\0\x06A\x07b c\0";
    assert_eq!(text(b"desc", plain), "Ab c");
    assert_eq!(text(b"desc", b"\0\0\0\0\xff\xff\xff\xffAb c\0"), "");
    assert_eq!(text(b"mluc", b"\0\0\0\0\xff\xff\xff\xff"), "");
    assert_eq!(text(b"what", b""), "");
    assert_eq!(text(b"", b""), "");
    let two = b"\0\0\0\0\0\0\0\x02\0\0\0\x0cdeDE\0\0\0\x02\0\0\0\x28enGB\0\0\0\x02\0\0\0\x2a\0D\0E";
    assert_eq!(text(b"mluc", two), "E");
}

/// Reads it and, where that goes well, uses it.
fn survives(icc: &[u8]) {
    if let Ok(profile) = Profile::parse(icc) {
        let space = Space::of(&profile);
        let light = Decoding::new(&profile, &space).to_space([0.25, 0.5, 0.75]);
        let encoding = Encoding::new(&space, &profile);
        assert!(encoding.unit(light).iter().all(|v| (0.0..=1.0).contains(v)));
    }
}

#[test]
fn cut_off_anywhere_it_is_refused() {
    for name in Named::ALL {
        let icc = written(name);
        for length in 0..icc.len() {
            assert!(Profile::parse(&icc[..length]).is_err(), "{name:?} {length}");
            // The same with an honest size field: what is missing is then inside a tag.
            let mut honest = icc[..length].to_vec();
            if length >= 4 {
                honest[..4].copy_from_slice(&(length as u32).to_be_bytes());
            }
            assert!(Profile::parse(&honest).is_err(), "{name:?} {length}");
        }
    }
}

#[test]
fn flipped_bytes_never_panic() {
    let sampled: Vec<u16> = (0..64u16).map(|n| n * n * 16).collect();
    let originals = [
        srgb(),
        written(Named::Gray),
        written(Named::A98Rgb),
        with_curve(&table(&sampled)),
    ];
    let mut state = 1u64;
    let mut random = move || {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (state >> 33) as usize
    };
    let mut used = 0;
    for round in 0..20_000 {
        let mut icc = originals[round % originals.len()].clone();
        for _ in 0..=random() % 4 {
            let at = random() % icc.len();
            icc[at] = random() as u8;
        }
        // Tables take milliseconds to make: use the first readings only.
        match parsed(&icc) {
            Ok(_) if used < 100 => {
                used += 1;
                survives(&icc);
            }
            _ => {}
        }
    }
    assert!(used == 100, "{used}");
}
