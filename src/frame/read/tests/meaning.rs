//! Samples to light and coverage: rule 6 of the language, channel names, numbers that are none.

use super::build::Build;
use super::{opened, whole};
use crate::budget::Account;
use crate::color::{Decoding, Named, Profile, Space};
use crate::frame::{Alpha, Channel, Frame, FrameError};
use crate::geom::Rect;
use crate::raster::{Picture, Premul};

/// One row of pixels of big-endian samples.
fn row(channels: u16, bits: u16, extra: &[u64], samples: &[u8]) -> Frame {
    let size = usize::from(channels * bits / 8);
    let mut build = Build::strips((samples.len() / size) as u32, 1, channels, 1, samples).set(
        258,
        3,
        &vec![bits.into(); channels.into()],
    );
    build.chunks = vec![samples.to_vec()];
    build.big_endian = true;
    if !extra.is_empty() {
        build = build.set(338, 3, extra);
    }
    opened(&build.bytes())
}

fn floats(channels: u16, extra: &[u64], samples: &[f32]) -> Frame {
    let bytes: Vec<u8> = samples
        .iter()
        .flat_map(|value| value.to_be_bytes())
        .collect();
    let mut build = Build::strips(
        samples.len() as u32 / u32::from(channels),
        1,
        channels,
        1,
        &bytes,
    )
    .set(258, 3, &vec![32; channels.into()])
    .set(339, 3, &vec![3; channels.into()]);
    build.chunks = vec![bytes];
    build.big_endian = true;
    if !extra.is_empty() {
        build = build.set(338, 3, extra);
    }
    opened(&build.bytes())
}

fn srgb() -> Decoding {
    Decoding::new(&Profile::named(Named::Srgb), &Space::named(Named::Srgb))
}

fn picture(frame: &Frame, decoding: &Decoding) -> Result<Picture, FrameError> {
    let samples = whole(frame)?;
    samples.picture(
        frame.rect(),
        frame.header(),
        decoding,
        &Account::unlimited(),
    )
}

fn pixels(frame: &Frame) -> Vec<[f32; 4]> {
    picture(frame, &srgb())
        .unwrap()
        .data()
        .iter()
        .map(|pixel| pixel.0)
        .collect()
}

fn near(a: f32, b: f64) -> bool {
    (f64::from(a) - b).abs() < 2e-6
}

/// IEC 61966-2-1: code 128 of 255 is 0.21586050011389926 of full light, 255 is 1.
#[test]
fn straight_colour_is_decoded_and_multiplied() {
    let frame = row(4, 8, &[2], &[128, 255, 0, 51, 128, 255, 0, 0]);
    assert_eq!(frame.header().alpha, Alpha::Unassociated);
    let got = pixels(&frame);
    // Alpha 51/255 is 0.2.
    assert!(near(got[0][0], 0.215_860_5 * 0.2) && near(got[0][1], 0.2) && got[0][2] == 0.0);
    assert!(near(got[0][3], 0.2));
    assert_eq!(got[1], [0.0; 4]);
}

/// Rule 6: associated codes are divided by alpha before the curve. Code 64 under alpha 128 stands for half of full
/// code, whose light is 0.21404114048223255 (IEC 61966-2-1 at 0.5).
#[test]
fn associated_colour_is_divided_before_the_curve() {
    let frame = row(4, 8, &[1], &[64, 128, 0, 128, 9, 9, 9, 0, 128, 255, 0, 255]);
    let got = pixels(&frame);
    let alpha = 128.0 / 255.0;
    assert!(near(got[0][0], 0.214_041_14 * alpha) && near(got[0][1], alpha) && got[0][2] == 0.0);
    assert_eq!(got[1], [0.0; 4]);
    assert!(
        near(got[2][0], 0.215_860_5),
        "opaque pixels are straight ones"
    );
    let sixteen = row(4, 16, &[1], &[0x40, 0, 0x80, 0, 0, 0, 0x80, 0]);
    let got = pixels(&sixteen);
    assert!(near(got[0][0], 0.214_041_14 * 32768.0 / 65535.0));
    let float = floats(4, &[1], &[0.25, 0.5, 0.0, 0.5, 1.0, 2.0, 0.0, 2.0]);
    let got = pixels(&float);
    assert!(near(got[0][0], 0.214_041_14 * 0.5) && near(got[0][1], 0.5));
    assert!(
        near(got[1][0], 0.214_041_14) && got[1][3] == 1.0,
        "alpha above 1 divides the pixel"
    );
}

#[test]
fn an_unspecified_extra_channel_is_no_alpha() {
    let frame = row(4, 8, &[0], &[128, 255, 0, 51]);
    assert_eq!(frame.header().alpha, Alpha::None);
    assert_eq!(frame.header().channel(Channel::Alpha), Some(3));
    let got = pixels(&frame);
    assert!(near(got[0][0], 0.215_860_5) && got[0][3] == 1.0);
    // Alpha may stand behind another extra channel.
    let second = row(5, 8, &[0, 2], &[255, 255, 255, 7, 51]);
    assert_eq!(second.header().channel(Channel::Alpha), Some(4));
    assert!(near(pixels(&second)[0][0], 0.2));
}

#[test]
fn gray_gives_equal_channels_in_any_space() {
    let frame = row(1, 8, &[], &[128]);
    let decoding = Decoding::new(&Profile::named(Named::Srgb), &Space::named(Named::Rec2020));
    let [r, g, b, a] = picture(&frame, &decoding).unwrap().at(0, 0).0;
    assert!(near(r, 0.215_860_5) && r == g && g == b && a == 1.0);
    let header = frame.header();
    assert_eq!(header.channel(Channel::Gray), Some(0));
    assert_eq!(header.channel(Channel::Red), None);
    assert_eq!(header.channel(Channel::Alpha), None);
}

/// 8, 16 and 32 bits and floats of the same encoded value give the same light.
#[test]
fn all_number_types_mean_the_same() {
    let light = |frame: Frame| pixels(&frame)[0][0];
    let eight = light(row(3, 8, &[], &[0x33; 3]));
    assert_eq!(light(row(3, 16, &[], &[0x33; 6])), eight);
    let long = light(row(3, 32, &[], &[0x33; 12]));
    let float = light(floats(3, &[], &[0.2; 3]));
    // IEC 61966-2-1 at 0.2.
    for value in [eight, long, float] {
        assert!(near(value, 0.033_104_767), "{value}");
    }
}

#[test]
fn numbers_that_are_none_are_named_by_pixel() {
    let frame = floats(3, &[], &[0.0, 1.0, 0.5, 0.0, f32::NAN, 0.0]);
    let samples = whole(&frame).unwrap();
    let account = Account::unlimited();
    insta::assert_snapshot!(picture(&frame, &srgb()).unwrap_err(), @"holds NaN or infinity at pixel 1,0, channel 1 (counted from 0); every sample must be a finite number");
    assert_eq!(
        samples.coverage(frame.rect(), 1, &account).unwrap_err(),
        FrameError::NotFinite {
            x: 1,
            y: 0,
            channel: 1
        }
    );
    // Beside the part asked for it does no harm.
    assert!(samples.coverage(Rect::of_size(1, 1), 1, &account).is_ok());
    assert!(samples.coverage(frame.rect(), 0, &account).is_ok());
    let endless = floats(1, &[], &[f32::INFINITY]);
    assert!(picture(&endless, &srgb()).is_err());
}

#[test]
fn coverage_is_the_code_over_its_largest() {
    let account = Account::unlimited();
    let values = |frame: Frame, channel| {
        let samples = whole(&frame).unwrap();
        samples
            .coverage(frame.rect(), channel, &account)
            .map(|matte| matte.data().to_vec())
    };
    assert_eq!(values(row(3, 8, &[], &[0, 51, 255]), 1).unwrap(), [0.2]);
    assert_eq!(
        values(row(1, 16, &[], &[0xff, 0xff, 0x33, 0x33]), 0).unwrap(),
        [1.0, 0.2]
    );
    assert_eq!(values(row(1, 32, &[], &[0x33; 4]), 0).unwrap(), [0.2]);
    assert_eq!(
        values(floats(1, &[], &[-0.5, 0.25, 7.0]), 0).unwrap(),
        [0.0, 0.25, 1.0]
    );
    insta::assert_snapshot!(values(row(1, 8, &[], &[0]), 3).unwrap_err(), @"has 1 channels; there is no channel 3 (counted from 0)");
}

#[test]
fn a_part_is_cut_from_its_place() {
    let samples: Vec<u8> = (0..60).collect();
    let frame = opened(&Build::strips(10, 6, 1, 2, &samples).bytes());
    let account = Account::unlimited();
    let window = frame.samples(Rect::new(2, 1, 7, 4), &account).unwrap();
    let part = Rect::new(4, 3, 2, 2);
    let matte = window.coverage(part, 0, &account).unwrap();
    assert_eq!(matte.rect(), part);
    assert_eq!(matte.at(5, 4), 45.0 / 255.0);
    let picture = window
        .picture(part, frame.header(), &srgb(), &account)
        .unwrap();
    assert_eq!(picture.at(5, 4).alpha(), 1.0);
    assert_eq!(picture.at(5, 4), {
        let light = srgb().table8(0)[45];
        Premul([light, light, light, 1.0])
    });
    assert!(window.coverage(Rect::new(0, 0, 3, 3), 0, &account).is_err());
}
