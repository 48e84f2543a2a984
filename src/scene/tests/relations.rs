//! What nodes say of one another, and masks, as a photographer reads it.

use super::*;
use insta::assert_snapshot;

#[test]
fn a_name_that_is_not_there_is_told_once() {
    assert_snapshot!(after_head("mask \"bottle\" { all }\nelement \"e\" { frame \"a.tif\"; mask { all }; behind \"botle\" }\nelement \"f\" { frame \"a.tif\"; mask { all }; behind \"botle\" }\ngroup \"g\" { mask { mask \"botle\" } }\noutput \"o\" { file \"o.tif\" }\n"), @r##"
stop no mask is called "botle" [unknown-mask]
  at scene.kdl:4:44
  4 | element "e" { frame "a.tif"; mask { all }; behind "botle" }
    |                                            ^^^^^^^^^^^^^^
  at scene.kdl:5:44
  5 | element "f" { frame "a.tif"; mask { all }; behind "botle" }
    |                                            ^^^^^^^^^^^^^^ and here
  at scene.kdl:6:25
  6 | group "g" { mask { mask "botle" } }
    |                         ^^^^^^^ and here
  allowed: bottle
  nearest: bottle
  do: name it at the top: mask "..." { ... }
"##);
}

#[test]
fn references() {
    assert_snapshot!(after_head("plate \"w.tif\" name=\"wet\"\nmask \"bottle\" { all }\nelement \"e\" plate=\"wte\" { frame \"a.tif\"; mask { all }; behind \"botle\" }\ngroup \"g\" { mask { mask \"zzz\" }; element \"f\" { frame \"a.tif\"; mask { all } } }\noutput \"o\" {\n    file \"o.tif\"\n    change \"f\" { offset 1 2 }\n    change \"g/f\" { nudge 1 2 }\n    change \"g/f\" { nudge 1 2 }\n    hide \"g\"\n    show \"g\"\n    member \"h\"\n}\n"), @r##"
stop no plate is called "wte" [unknown-plate]
  at scene.kdl:5:19
  5 | element "e" plate="wte" { frame "a.tif"; mask { all }; behind "botle" }
    |                   ^^^^^
  allowed: wet
  nearest: wet
  do: name a plate: plate "file" name="..."

stop no mask is called "botle" [unknown-mask]
  at scene.kdl:5:56
  5 | element "e" plate="wte" { frame "a.tif"; mask { all }; behind "botle" }
    |                                                        ^^^^^^^^^^^^^^
  allowed: bottle
  nearest: bottle
  do: name it at the top: mask "..." { ... }

stop no mask is called "zzz" [unknown-mask]
  at scene.kdl:6:25
  6 | group "g" { mask { mask "zzz" }; element "f" { frame "a.tif"; mask { all } } }
    |                         ^^^^^
  allowed: bottle
  do: name it at the top: mask "..." { ... }

stop no element or group is called "f" [unknown-member]
  at scene.kdl:9:12
  9 |     change "f" { offset 1 2 }
    |            ^^^
  allowed: e, g, g/f
  nearest: g/f

stop "g/f" is changed twice here [repeated-node]
  at scene.kdl:11:12
  11 |     change "g/f" { nudge 1 2 }
     |            ^^^^^
  at scene.kdl:10:12
  10 |     change "g/f" { nudge 1 2 }
     |            ^^^^^ the first one
  do: put both into one `change`

stop "g" is both hidden and shown [repeated-node]
  at scene.kdl:13:10
  13 |     show "g"
     |          ^^^
  at scene.kdl:12:10
  12 |     hide "g"
     |          ^^^ the first one
  do: keep one of them

stop no element or group is called "h" [unknown-member]
  at scene.kdl:14:12
  14 |     member "h"
     |            ^^^
  allowed: e, g, g/f
"##);
}

#[test]
fn circles_show_their_chain() {
    assert_snapshot!(after_head("mask \"a\" { mask \"b\" }\nmask \"b\" { keep { all }; cut { mask \"c\" } }\nmask \"c\" { mask \"a\" }\nmask \"d\" { mask \"d\" }\n"), @r##"
stop masks are made of one another in a circle: "a" -> "b" -> "c" -> "a" [mask-cycle]
  at scene.kdl:5:17
  5 | mask "c" { mask "a" }
    |                 ^^^
  do: take one of them out of the circle

stop masks are made of one another in a circle: "d" -> "d" [mask-cycle]
  at scene.kdl:6:17
  6 | mask "d" { mask "d" }
    |                 ^^^
  do: take one of them out of the circle
"##);
    let shelf = Shelf::of(&[
        (
            "jobs/scene.kdl",
            "scene \"a\" language=1\nplate \"p.tif\"\ninclude \"shared/a.kdl\"\n",
        ),
        ("jobs/shared/a.kdl", "include \"../b.kdl\"\n"),
        ("jobs/shared/../b.kdl", "include \"shared/a.kdl\"\n"),
    ]);
    assert_snapshot!(told(&read(Path::new("jobs/scene.kdl"), &[], &shelf).unwrap_err()), @r##"
stop the files include one another in a circle: jobs/shared/a.kdl -> jobs/b.kdl -> jobs/shared/a.kdl [include-cycle]
  at jobs/shared/../b.kdl:1:9
  1 | include "shared/a.kdl"
    |         ^^^^^^^^^^^^^^
  at jobs/shared/a.kdl:1:9
  1 | include "../b.kdl"
    |         ^^^^^^^^^^ and included here
  do: delete one of these includes
"##);
}

#[test]
fn masks() {
    assert_snapshot!(after_head("mask \"n\" { piece; luminance 0 1 }\nelement \"a\" { frame \"a.tif\"; mask #false }\nelement \"b\" { frame \"a.tif\"; mask { } }\nelement \"c\" { frame \"a.tif\"; mask { feather 3; all } }\nelement \"d\" { frame \"a.tif\"; mask { all; keep { }; rect 0 0 1 1 } }\nelement \"e\" { frame \"a.tif\"; mask { mask \"n\" } }\nelement \"f\" {\n    frame \"a.tif\"\n    mask {\n        polygon \"0,0 1\"\n        polygon \"0,0 1,1\"\n        path \"L 1 1\"\n        line \"0,0 x,1\" width=0\n        image \"m.tif\" channel=\"grey\" { at 1.5 2 }\n        luminance 1 0.5\n    }\n}\ngroup \"g\" { mask { rig; piece } }\n"), @r##"
stop `piece` in a named mask needs the plate to compare with [missing-property]
  at scene.kdl:3:12
  3 | mask "n" { piece; luminance 0 1 }
    |            ^^^^^
  allowed: piece plate="name": what the base plate shows and that one does not

stop `luminance` is measured in a frame, and there is none here [source-place]
  at scene.kdl:3:19
  3 | mask "n" { piece; luminance 0 1 }
    |                   ^^^^^^^^^^^^^
  do: use it in an element's mask

stop a mask can't be switched off [mask-off]
  at scene.kdl:4:30
  4 | element "a" { frame "a.tif"; mask #false }
    |                              ^^^^^^^^^^^
  do: write `mask { all }` for the whole of it

stop a mask is empty [mask-order]
  at scene.kdl:5:30
  5 | element "b" { frame "a.tif"; mask { } }
    |                              ^^^^
  do: draw something in it, or write `all` for everything

stop a mask begins with a keep, and `feather` has nothing to work on here [mask-order]
  at scene.kdl:6:37
  6 | element "c" { frame "a.tif"; mask { feather 3; all } }
    |                                     ^^^^^^^^^
  do: write `keep { ... }` above it, with what it starts from; `keep { all }` is everything

stop `all` stands loose after the mask's beginning [mask-order]
  at scene.kdl:6:48
  6 | element "c" { frame "a.tif"; mask { feather 3; all } }
    |                                                ^^^
  do: say what it does: keep { ... } adds it, within { ... } limits to it, cut { ... } removes it

stop `keep` holds no source [missing-node]
  at scene.kdl:7:42
  7 | element "d" { frame "a.tif"; mask { all; keep { }; rect 0 0 1 1 } }
    |                                          ^^^^
  allowed: at least one of all, rect, ellipse, polygon, path, line, image, piece, rig, luminance, mask

stop `rect` stands loose after the mask's beginning [mask-order]
  at scene.kdl:7:52
  7 | element "d" { frame "a.tif"; mask { all; keep { }; rect 0 0 1 1 } }
    |                                                    ^^^^^^^^^^^^
  do: say what it does: keep { ... } adds it, within { ... } limits to it, cut { ... } removes it

stop a named mask lies in canvas space, and this element's mask in its frame's [mask-in-element]
  at scene.kdl:8:37
  8 | element "e" { frame "a.tif"; mask { mask "n" } }
    |                                     ^^^^^^^^
  do: write `behind "name"` in the element, beside its mask: what the named mask covers stands before it

stop the points of `polygon` can't be read: there are 3 numbers, so one point has no y [bad-points]
  at scene.kdl:12:17
  12 |         polygon "0,0 1"
     |                 ^^^^^^^
  allowed: "x,y x,y ...": 3 to 10,000 points, each number within 1,000,000

stop `polygon` has 2 points, and needs at least 3 [bad-points]
  at scene.kdl:13:17
  13 |         polygon "0,0 1,1"
     |                 ^^^^^^^^^
  allowed: "x,y x,y ...": 3 to 10,000 points, each number within 1,000,000

stop this path can't be drawn: it must begin with M or m, at character 1 [bad-path-data]
  at scene.kdl:14:14
  14 |         path "L 1 1"
     |              ^^^^^^^
  allowed: path "M x,y ... Z", SVG 2 path data of at most 64 KiB, numbers within 1,000,000

stop the points of `line` can't be read: `x` is no number [bad-points]
  at scene.kdl:15:14
  15 |         line "0,0 x,1" width=0
     |              ^^^^^^^^^
  allowed: "x,y x,y ...": 2 to 10,000 points, each number within 1,000,000

stop `width` can't be 0 [out-of-range]
  at scene.kdl:15:30
  15 |         line "0,0 x,1" width=0
     |                              ^
  allowed: a number above 0 up to 1,000,000

stop `channel` can't be "grey" [unknown-value]
  at scene.kdl:16:31
  16 |         image "m.tif" channel="grey" { at 1.5 2 }
     |                               ^^^^^^
  allowed: "alpha", "gray", "red", "green", "blue"
  nearest: gray

stop `at` must be a whole number, and is 1.5 [not-whole]
  at scene.kdl:16:43
  16 |         image "m.tif" channel="grey" { at 1.5 2 }
     |                                           ^^^
  allowed: a whole number from -1,000,000 to 1,000,000

stop `luminance` 1 0.5: the first must be below the second [out-of-range]
  at scene.kdl:17:19
  17 |         luminance 1 0.5
     |                   ^^^^^
  allowed: luminance low high

stop `rig` is found in a frame, and there is none here [source-place]
  at scene.kdl:20:20
  20 | group "g" { mask { rig; piece } }
     |                    ^^^
  do: use it in an element's mask or in `mend`

stop `piece` is found in a frame, and there is none here [source-place]
  at scene.kdl:20:25
  20 | group "g" { mask { rig; piece } }
     |                         ^^^^^
  do: use it in an element's mask, or in a mask named at the top
"##);
}

#[test]
fn blending() {
    assert_snapshot!(after_head("element \"a\" in=\"encoded\" { frame \"a.tif\"; mask { all } }\nelement \"b\" in=\"encoded\" blend=\"plus-lighter\" { frame \"a.tif\"; mask { all } }\nelement \"c\" in=\"encoded\" blend=\"screen\" { frame \"a.tif\"; mask { all } }\nelement \"d\" blend=\"multipl\" { frame \"a.tif\"; mask { all } }\noutput \"o\" { file \"o.tif\"; change \"c\" blend=\"normal\" }\n"), @r##"
stop in="encoded" means nothing with blend="normal" [encoded-mode]
  at scene.kdl:3:16
  3 | element "a" in="encoded" { frame "a.tif"; mask { all } }
    |                ^^^^^^^^^
  allowed: in="encoded" with one of the other blend modes, such as "screen"
  do: delete in="encoded", or name the blend mode

stop in="encoded" means nothing with blend="plus-lighter" [encoded-mode]
  at scene.kdl:4:16
  4 | element "b" in="encoded" blend="plus-lighter" { frame "a.tif"; mask { all } }
    |                ^^^^^^^^^
  allowed: in="encoded" with one of the other blend modes, such as "screen"
  do: delete in="encoded", or name the blend mode

stop `blend` can't be "multipl" [unknown-value]
  at scene.kdl:6:19
  6 | element "d" blend="multipl" { frame "a.tif"; mask { all } }
    |                   ^^^^^^^^^
  allowed: "normal", "multiply", "screen", "overlay", "darken", "lighten", "color-dodge", "color-burn", "hard-light", "soft-light", "difference", "exclusion", "hue", "saturation", "color", "luminosity", "plus-lighter"
  nearest: multiply

stop in="encoded" means nothing with blend="normal" [encoded-mode]
  at scene.kdl:7:45
  7 | output "o" { file "o.tif"; change "c" blend="normal" }
    |                                             ^^^^^^^^
  allowed: in="encoded" with one of the other blend modes, such as "screen"
  do: delete in="encoded", or name the blend mode
"##);
}

/// A slip of the pen in a mask is told, and nothing that only follows from it.
#[test]
fn a_misspelt_keep_is_told_once() {
    let found = ids(
        "scene language=1\nplate \"p.tif\"\nelement \"a\" { frame \"a.tif\"; mask { kep { piece }; within { all } }; shadow }\noutput \"o\" { file \"o.tif\" }\n",
    );
    assert_eq!(found, ["unknown-node"]);
}

#[test]
fn shadows_need_a_piece() {
    let text = "each { shadow }\nelement \"a\" { frame \"a.tif\"; mask { all } }\nelement \"b\" { frame \"a.tif\"; mask { piece } }\nelement \"c\" { frame \"a.tif\"; mask { all }; shadow #false }\n";
    let found = ids(&format!("scene language=1\nplate \"p.tif\"\n{text}"));
    assert_eq!(
        found.iter().filter(|id| **id == "needs-piece").count(),
        1,
        "{found:?}"
    );
    assert_snapshot!(after_head("element \"a\" { frame \"a.tif\"; mask { all }; shadow strength=3 { offset 1 } }\n"), @r##"
stop `shadow` needs a mask with a `piece`, and this element has none [needs-piece]
  at scene.kdl:3:44
  3 | element "a" { frame "a.tif"; mask { all }; shadow strength=3 { offset 1 } }
    |                                            ^^^^^^^^^^^^^^^^^
  do: delete the shadow, or use `piece` in the mask

stop `strength` can't be 3 [out-of-range]
  at scene.kdl:3:60
  3 | element "a" { frame "a.tif"; mask { all }; shadow strength=3 { offset 1 } }
    |                                                            ^
  allowed: a number from 0 to 2

stop `offset` needs 2 arguments and has 1 [missing-argument]
  at scene.kdl:3:64
  3 | element "a" { frame "a.tif"; mask { all }; shadow strength=3 { offset 1 } }
    |                                                                ^^^^^^^^
  allowed: offset dx dy
"##);
}
