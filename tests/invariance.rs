//! The same bytes whatever the threads, tiles and bands: nothing that is cut up may show where it was cut.

#[path = "common/banded.rs"]
mod banded;
mod common;
#[path = "common/made.rs"]
mod made;

use common::folder;
use made::{assert_same, made};
use platewright::deliver::Shape;
use platewright::render::Tiling;

#[test]
fn threads_tiles_and_bands_change_no_byte() {
    let at = folder("banded");
    banded::write(&at);
    let usual = Tiling::default();
    let one = made(&at, "one", Shape::Finished, 1, usual);
    assert_eq!(one.0.len(), 5);
    // The protected area is covered in this scene, so that its numbers are compared too.
    assert!(one.1.contains("\"label\" is covered"), "{}", one.1);
    for threads in [2, 7] {
        let name = format!("threads-{threads}");
        let many = made(&at, &name, Shape::Finished, threads, usual);
        assert_same(&one, &many, &format!("{threads} threads"));
    }
    for (tile, band) in [(64, 128), (97, 51), (2000, 2000)] {
        let name = format!("tiles-{tile}-{band}");
        let cut = made(&at, &name, Shape::Finished, 2, Tiling { tile, band });
        assert_same(&one, &cut, &format!("tiles of {tile} and bands of {band}"));
    }
}

#[test]
fn previews_too() {
    let at = folder("banded-preview");
    banded::write(&at);
    let shape = Shape::Preview(300);
    let one = made(&at, "one", shape, 1, Tiling::default());
    assert_eq!(one.0.len(), 5);
    for (threads, tile, band) in [(7, 256, 256), (2, 61, 37)] {
        let name = format!("many-{threads}");
        let many = made(&at, &name, shape, threads, Tiling { tile, band });
        assert_same(&one, &many, &format!("{threads} threads, tiles of {tile}"));
    }
}
