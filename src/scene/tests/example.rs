//! The scene the language page shows, whole and without what is not built yet.

use super::*;
use crate::scene::{Crop, Member, Size, SourceKind, Step};

/// The language page's example, word for word.
pub(super) const PAGE: &str = r##"// One ink bottle, things hanging in the air around it.
scene "ink-bottle" language=1 {
    title "Indigo ink, 50 ml"
    creator "Studio Example"
    rights "© 2026 Studio Example"
}

param "ink" "indigo"                       // a series row or --set may change it

plate "frames/dry-1.tif" "frames/dry-2.tif"      // the clean set; the canvas takes its size and profile
plate "frames/wet-1.tif" name="wet"              // the set after the splash
plate "frames/table.tif" name="bare"             // without the bottle

mask "bottle" { piece plate="bare" }             // the product's own outline, in canvas space

each { balance "exposure" }                // treatment of every element, unless it says otherwise

group "nibs" order=60 {
    element "a" { frame "frames/nib-11.tif"; offset 120 -64; scale 0.92; rotate 14 }   // cut out, rod gone: the default
    element "b" {
        frame "frames/nib-04.tif"
        mask {
            keep { piece }                               // what is not the plate ...
            within { polygon "812,344 1090,330 1122,610 840,640" }   // ... in here ...
            cut { line "980,0 965,410" width=30 }        // ... less the rod
        }
        shadow                                           // it hangs low: keep the shadow it throws on the table
        offset -310 0
    }
    element "c" order=40 { frame "frames/nib-07.tif"; behind "bottle" }   // deeper than its fellows
}

element "crown" order=90 plate="wet" {
    frame "frames/crown-27.tif"
    mask { keep { piece }; within { rect 700 900 1000 800 } }
}

protect "label" { rect 880 1490 640 520 }  // nothing may cover this

output "master" { file "out/{scene}-{ink}.tif" }

output "portrait" {
    file "out/{scene}-{ink}-4x5.jpg"
    crop "4:5" { centre 1180 1420 }
    size 1080 1350
    profile "srgb"
    quality 90
    change "nibs/b" { nudge 30 0 }         // this channel only, on top of wherever the master has it
    hide "crown"
}
"##;

/// The same with drawn masks instead of `piece`.
pub(super) fn built() -> String {
    PAGE.replace(r#" "frames/dry-2.tif""#, "")
        .replace(
            "piece plate=\"bare\"",
            "path \"M 900,700 L 1500,700 1500,2000 900,2000\"",
        )
        .replace("each { balance \"exposure\" }", "each { mask { all } }")
        .replace("keep { piece }", "keep { all feather=2 }")
        .replace("        shadow ", "        // shadow ")
}

#[test]
fn the_page_as_it_stands_is_a_scene() {
    assert_eq!(good(PAGE).masks.len(), 1);
}

#[test]
fn the_page_with_drawn_masks_is_a_scene() {
    let scene = good(&built());
    assert_eq!(scene.name, "ink-bottle");
    assert_eq!(scene.title.unwrap().value, "Indigo ink, 50 ml");
    assert_eq!(scene.plates.len(), 3);
    assert_eq!(scene.plates[1].name.as_ref().unwrap().value, "wet");
    assert_eq!(scene.params, [("ink".to_owned(), "indigo".to_owned())]);
    let Member::Group(nibs) = &scene.members[0] else {
        panic!()
    };
    assert_eq!(nibs.props.order.unwrap().value, 60);
    let Member::Element(b) = &nibs.members[1] else {
        panic!()
    };
    assert_eq!(b.treatment.placement.offset.value(), Some(&[-310.0, 0.0]));
    let steps = &b.treatment.mask.value().unwrap().steps;
    assert!(matches!(&steps[2].value, Step::Cut(sources)
        if matches!(&sources[0].kind, SourceKind::Line { width, .. } if *width == 30.0)));
    let portrait = &scene.outputs[1];
    assert_eq!(portrait.file.value, "out/ink-bottle-indigo-4x5.jpg");
    assert_eq!(portrait.size.unwrap().value, Size::Both(1080, 1350));
    assert_eq!(
        portrait.crop.unwrap().value,
        Crop::Ratio {
            width: 4.0,
            height: 5.0,
            centre: Some([1180.0, 1420.0]),
            zoom: 1.0
        }
    );
    assert_eq!(portrait.edits.changes[0].nudge, [30.0, 0.0]);
    assert!(!portrait.edits.shown[0].1);
}
