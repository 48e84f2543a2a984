//! What is KDL and still wrong: each kind of fault, as a photographer reads it.

use super::*;
use insta::assert_snapshot;

const HEAD: &str = "scene \"a\" language=1\nplate \"p.tif\"\n";

fn after_head(text: &str) -> String {
    faults(&format!("{HEAD}{text}"))
}

#[test]
fn twelve_faults_of_twelve_kinds_in_one_file_are_twelve_reports() {
    let text = r##"scene "a" language=1
plate "plate.tif"
canvas 1000 800.5
element "one" opacty=0.5 {
    frame "one.tif"
    mask { all }
}
element "two" opacity=1.5 {
    frame "two.tif"
    mask { within { all } }
    offset 12
}
element "two" plate="wett" {
    frame "two.tif"
    mask { all }
    ofset 1 2
    rotate "14"
}
output "m" {
    file "out/{scenes}.tif"
    quality 90
    quality 80
}
output "n" {
    file "out/n.tiff"
    hide "too"
}
"##;
    let found = ids(text);
    let kinds: std::collections::BTreeSet<_> = found.iter().collect();
    assert_eq!((found.len(), kinds.len()), (13, 13), "{found:?}");
    assert_snapshot!(faults(text), @r##"
stop `canvas` must be a whole number, and is 800.5 [not-whole]
  at scene.kdl:3:13
  3 | canvas 1000 800.5
    |             ^^^^^
  allowed: a whole number from 1 to 1,000,000

stop `opacty` is no property of `element` [unknown-property]
  at scene.kdl:4:15
  4 | element "one" opacty=0.5 {
    |               ^^^^^^
  allowed: order, opacity, blend, in, off, plate
  nearest: opacity

stop `opacity` can't be 1.5 [out-of-range]
  at scene.kdl:8:23
  8 | element "two" opacity=1.5 {
    |                       ^^^
  allowed: a number from 0 to 1

stop a mask begins with a keep, and `within` has nothing to work on here [mask-order]
  at scene.kdl:10:12
  10 |     mask { within { all } }
     |            ^^^^^^
  do: write `keep { ... }` above it, with what it starts from; `keep { all }` is everything

stop `offset` needs 2 arguments and has 1 [missing-argument]
  at scene.kdl:11:5
  11 |     offset 12
     |     ^^^^^^^^^
  allowed: offset dx dy

stop two members here are called "two" [duplicate-name]
  at scene.kdl:13:9
  13 | element "two" plate="wett" {
     |         ^^^^^
  at scene.kdl:8:9
  8 | element "two" opacity=1.5 {
    |         ^^^^^ the first one
  do: give one another name

stop no plate is called "wett" [unknown-plate]
  at scene.kdl:13:21
  13 | element "two" plate="wett" {
     |                     ^^^^^^
  allowed: nothing: the base plate needs no naming, and there is no other
  do: name a plate: plate "file" name="..."

stop `ofset` is no node of an element [unknown-node]
  at scene.kdl:16:5
  16 |     ofset 1 2
     |     ^^^^^
  allowed: frame, align, balance, mask, correct, defocus, offset, scale, rotate, flip, pivot, resample, behind, shadow, mend
  nearest: offset

stop `rotate` takes a number, and this is a text [wrong-type]
  at scene.kdl:17:12
  17 |     rotate "14"
     |            ^^^^
  allowed: a finite number

stop no parameter is called "scenes" [unknown-parameter]
  at scene.kdl:20:10
  20 |     file "out/{scenes}.tif"
     |          ^^^^^^^^^^^^^^^^^^
  allowed: no parameters: the scene declares none; built in: scene, output, row
  nearest: scene

stop `quality` stands twice in an output, and may stand once [repeated-node]
  at scene.kdl:22:5
  22 |     quality 80
     |     ^^^^^^^
  at scene.kdl:21:5
  21 |     quality 90
     |     ^^^^^^^ the first one
  do: keep one

stop no format is known by .tiff [unknown-format]
  at scene.kdl:25:10
  25 |     file "out/n.tiff"
     |          ^^^^^^^^^^^^
  allowed: .tif, .png, .jpg, .webp
  nearest: .tif

stop no element or group is called "too" [unknown-member]
  at scene.kdl:26:10
  26 |     hide "too"
     |          ^^^^^
  allowed: one, two
  nearest: two
"##);
}

#[test]
fn nodes_and_properties() {
    assert_snapshot!(after_head("element \"e\" opacity=0.5 opacity=0.6 isolate=#true {\n    frame \"a.tif\" { x }\n    mask { all }\n    opacity 0.5\n    quality 3\n    align #true\n    offset 1 2 3\n    scale\n    flip \"sideways\"\n    flip \"vertical\"\n    rotate 5 angle=3\n    correct { }\n    pivot #null \"x\"\n}\n"), @r##"
stop `opacity` is written twice on one node [repeated-property]
  at scene.kdl:3:25
  3 | element "e" opacity=0.5 opacity=0.6 isolate=#true {
    |                         ^^^^^^^
  at scene.kdl:3:13
  3 | element "e" opacity=0.5 opacity=0.6 isolate=#true {
    |             ^^^^^^^ the first one
  do: keep one

stop `isolate` is no property of `element` [unknown-property]
  at scene.kdl:3:37
  3 | element "e" opacity=0.5 opacity=0.6 isolate=#true {
    |                                     ^^^^^^^
  allowed: order, opacity, blend, in, off, plate

stop `frame` takes no block [no-block]
  at scene.kdl:4:21
  4 |     frame "a.tif" { x }
    |                     ^
  allowed: frame "file", with profile="..." if the file has none
  do: put these nodes beside it, not into it

stop `opacity` is no node of an element [unknown-node]
  at scene.kdl:6:5
  6 |     opacity 0.5
    |     ^^^^^^^
  allowed: frame, align, balance, mask, correct, defocus, offset, scale, rotate, flip, pivot, resample, behind, shadow, mend
  do: `opacity` is a property: write it on the line of the element or group, as opacity=...

stop `quality` is no node of an element [unknown-node]
  at scene.kdl:7:5
  7 |     quality 3
    |     ^^^^^^^
  allowed: frame, align, balance, mask, correct, defocus, offset, scale, rotate, flip, pivot, resample, behind, shadow, mend
  do: `quality 90` stands in an output

stop `align` can't take 1 argument [missing-argument]
  at scene.kdl:8:5
  8 |     align #true
    |     ^^^^^^^^^^^
  allowed: align "shift", "similarity" or "perspective"; align dx dy; 6 or 9 numbers; align #false

stop `offset` has 1 argument too many [extra-argument]
  at scene.kdl:9:16
  9 |     offset 1 2 3
    |                ^
  allowed: offset dx dy

stop `scale` has no argument [missing-argument]
  at scene.kdl:10:5
  10 |     scale
     |     ^^^^^
  allowed: scale s, or scale sx sy

stop `flip` can't be "sideways" [unknown-value]
  at scene.kdl:11:10
  11 |     flip "sideways"
     |          ^^^^^^^^^^
  allowed: "horizontal", "vertical"

stop `flip` stands twice in an element, and may stand once [repeated-node]
  at scene.kdl:12:5
  12 |     flip "vertical"
     |     ^^^^
  at scene.kdl:11:5
  11 |     flip "sideways"
     |     ^^^^ the first one
  do: keep one

stop `angle` is no property of `rotate` [unknown-property]
  at scene.kdl:13:14
  13 |     rotate 5 angle=3
     |              ^^^^^
  allowed: no properties

stop `correct` corrects nothing [missing-block]
  at scene.kdl:14:5
  14 |     correct { }
     |     ^^^^^^^
  allowed: at least one of exposure, gain, mired, saturate, hue-rotate
  do: write one, or `correct #false` in an element to undo an `each`

stop `pivot` takes a number, and this is #null [wrong-type]
  at scene.kdl:15:11
  15 |     pivot #null "x"
     |           ^^^^^
  allowed: a number from -1,000,000 to 1,000,000

stop `pivot` takes a number, and this is a text [wrong-type]
  at scene.kdl:15:17
  15 |     pivot #null "x"
     |                 ^^^
  allowed: a number from -1,000,000 to 1,000,000
"##);
}

#[test]
fn numbers_and_their_ranges() {
    assert_snapshot!(after_head("element \"e\" order=1.5 opacity=#nan {\n    frame \"a.tif\"\n    mask { rect 0 0 0 5; ellipse 0 0 -1 2; feather 1001; ramp 0.5 0.5; ramp 1 11; line \"0,0 1,1\" }\n    scale 0\n    offset 2000000 0\n    correct { exposure 21; mired -114; gain 1 1 65; saturate 11 }\n}\n"), @r##"
stop `order` must be a whole number, and is 1.5 [not-whole]
  at scene.kdl:3:19
  3 | element "e" order=1.5 opacity=#nan {
    |                   ^^^
  allowed: a whole number from -1,000,000 to 1,000,000

stop `opacity` must be a finite number [not-finite]
  at scene.kdl:3:31
  3 | element "e" order=1.5 opacity=#nan {
    |                               ^^^^
  allowed: a number from 0 to 1

stop `width of rect` can't be 0 [out-of-range]
  at scene.kdl:5:21
  5 |     mask { rect 0 0 0 5; ellipse 0 0 -1 2; feather 1001; ramp 0.5 0.5; ramp 1 11; line "0,0 1,1" }
    |                     ^
  allowed: a number above 0 up to 1,000,000

stop `rx of ellipse` can't be -1 [out-of-range]
  at scene.kdl:5:38
  5 |     mask { rect 0 0 0 5; ellipse 0 0 -1 2; feather 1001; ramp 0.5 0.5; ramp 1 11; line "0,0 1,1" }
    |                                      ^^
  allowed: a number above 0 up to 1,000,000

stop `feather` can't be 1,001 [out-of-range]
  at scene.kdl:5:52
  5 |     mask { rect 0 0 0 5; ellipse 0 0 -1 2; feather 1001; ramp 0.5 0.5; ramp 1 11; line "0,0 1,1" }
    |                                                    ^^^^
  allowed: a number from 0 to 1,000

stop `ramp` 0.5 0.5: the first must be below the second [out-of-range]
  at scene.kdl:5:63
  5 |     mask { rect 0 0 0 5; ellipse 0 0 -1 2; feather 1001; ramp 0.5 0.5; ramp 1 11; line "0,0 1,1" }
    |                                                               ^^^^^^^
  allowed: ramp low high

stop `ramp` can't be 11 [out-of-range]
  at scene.kdl:5:79
  5 |     mask { rect 0 0 0 5; ellipse 0 0 -1 2; feather 1001; ramp 0.5 0.5; ramp 1 11; line "0,0 1,1" }
    |                                                                               ^^
  allowed: a number from -10 to 10

stop `line` needs a width [missing-property]
  at scene.kdl:5:83
  5 |  mask { rect 0 0 0 5; ellipse 0 0 -1 2; feather 1001; ramp 0.5 0.5; ramp 1 11; line "0,0 1,1" }
    |                                                                                ^^^^^^^^^^^^^^
  allowed: line "x,y x,y ..." width=w, with cap="butt" if wanted

stop `line` stands loose after the mask's beginning [mask-order]
  at scene.kdl:5:83
  5 |  mask { rect 0 0 0 5; ellipse 0 0 -1 2; feather 1001; ramp 0.5 0.5; ramp 1 11; line "0,0 1,1" }
    |                                                                                ^^^^^^^^^^^^^^
  do: say what it does: keep { ... } adds it, within { ... } limits to it, cut { ... } removes it

stop `scale` can't be 0 [out-of-range]
  at scene.kdl:6:11
  6 |     scale 0
    |           ^
  allowed: a number from 0.001 to 100

stop `offset` can't be 2,000,000 [out-of-range]
  at scene.kdl:7:12
  7 |     offset 2000000 0
    |            ^^^^^^^
  allowed: a number from -1,000,000 to 1,000,000

stop `exposure` can't be 21 [out-of-range]
  at scene.kdl:8:24
  8 |     correct { exposure 21; mired -114; gain 1 1 65; saturate 11 }
    |                        ^^
  allowed: a number from -20 to 20

stop `mired` can't be -114 [out-of-range]
  at scene.kdl:8:34
  8 |     correct { exposure 21; mired -114; gain 1 1 65; saturate 11 }
    |                                  ^^^^
  allowed: a number from -113 to 96

stop `gain` can't be 65 [out-of-range]
  at scene.kdl:8:49
  8 |     correct { exposure 21; mired -114; gain 1 1 65; saturate 11 }
    |                                                 ^^
  allowed: a number from 0 to 64

stop `saturate` can't be 11 [out-of-range]
  at scene.kdl:8:62
  8 |     correct { exposure 21; mired -114; gain 1 1 65; saturate 11 }
    |                                                              ^^
  allowed: a number from 0 to 10
"##);
}

#[test]
fn names() {
    assert_snapshot!(after_head("element \"a/b\" { frame \"a.tif\"; mask { all } }\nelement \"\" { frame \"a.tif\"; mask { all } }\ngroup \"g\" { element \"x\" { frame \"a.tif\"; mask { all } }; group \"x\" {} }\nplate \"q.tif\"\nplate \"q.tif\" name=\"w\"\nplate \"q.tif\" name=\"w\"\nmask \"m\" { all }\nmask \"m\" { all }\noutput \"o\" { file \"o.tif\" }\noutput \"o\" { file \"./O.tif\" }\nprotect \"t\" { all }\nprotect \"t\" { all }\n"), @r##"
stop "a/b" can't name an element [bad-name]
  at scene.kdl:3:9
  3 | element "a/b" { frame "a.tif"; mask { all } }
    |         ^^^^^
  allowed: a text that is not empty, without `/`, `\` and control characters

stop the name of an element is empty [bad-name]
  at scene.kdl:4:9
  4 | element "" { frame "a.tif"; mask { all } }
    |         ^^
  allowed: a text that is not empty, without `/`, `\` and control characters

stop two members here are called "x" [duplicate-name]
  at scene.kdl:5:64
  5 | group "g" { element "x" { frame "a.tif"; mask { all } }; group "x" {} }
    |                                                                ^^^
  at scene.kdl:5:21
  5 | group "g" { element "x" { frame "a.tif"; mask { all } }; group "x" {} }
    |                     ^^^ the first one
  do: give one another name

stop a plate after the first needs a name [plate-name]
  at scene.kdl:6:1
  6 | plate "q.tif"
    | ^^^^^^^^^^^^^
  allowed: plate "file" for the base; plate "file" name="wet" for others
  do: several files of one empty set stand on one line: plate "a.tif" "b.tif"

stop two plates are called "w" [duplicate-name]
  at scene.kdl:8:20
  8 | plate "q.tif" name="w"
    |                    ^^^
  at scene.kdl:7:20
  7 | plate "q.tif" name="w"
    |                    ^^^ the first one
  do: give one another name

stop two masks are called "m" [duplicate-name]
  at scene.kdl:10:6
  10 | mask "m" { all }
     |      ^^^
  at scene.kdl:9:6
  9 | mask "m" { all }
    |      ^^^ the first one
  do: give one another name

stop two outputs are called "o" [duplicate-name]
  at scene.kdl:12:8
  12 | output "o" { file "./O.tif" }
     |        ^^^
  at scene.kdl:11:8
  11 | output "o" { file "o.tif" }
     |        ^^^ the first one
  do: give one another name

stop two outputs are written to "./O.tif" [same-file]
  at scene.kdl:12:19
  12 | output "o" { file "./O.tif" }
     |                   ^^^^^^^^^
  at scene.kdl:11:19
  11 | output "o" { file "o.tif" }
     |                   ^^^^^^^ the first one
  do: give each its own file, for instance with {output} in the name

stop two protected places are called "t" [duplicate-name]
  at scene.kdl:14:9
  14 | protect "t" { all }
     |         ^^^
  at scene.kdl:13:9
  13 | protect "t" { all }
     |         ^^^ the first one
  do: give one another name
"##);
    assert_snapshot!(faults("scene \"a\" language=2\nplate \"p.tif\" name=\"base\"\n"), @r##"
stop language 2 is not known to this program [unknown-value]
  at scene.kdl:1:20
  1 | scene "a" language=2
    |                    ^
  allowed: language=1

stop the first plate is the base and carries no name [plate-name]
  at scene.kdl:2:20
  2 | plate "p.tif" name="base"
    |                    ^^^^^^
  do: delete the name, or put the base plate above this one
"##);
    assert_snapshot!(faults("plate \"p.tif\"\nscene \"a\"\n"), @r##"
stop `scene` is not the first node [scene-place]
  at scene.kdl:2:1
  2 | scene "a"
    | ^^^^^^^^^
  at scene.kdl:1:1
  1 | plate "p.tif"
    | ^^^^^^^^^^^^^ this stands before it
  do: move it to the top of the file

stop `scene` does not say its language [missing-property]
  at scene.kdl:2:1
  2 | scene "a"
    | ^^^^^^^^^
  allowed: scene "name" language=1 { title "..."; creator "..."; rights "..." }
  do: write language=1 on this line
"##);
    assert_snapshot!(faults(""), @r##"
stop the file has no `scene` node [missing-node]
  at scene.kdl:1:1
  1 | 
    | ^
  allowed: scene "name" language=1 { title "..."; creator "..."; rights "..." }
  do: write it as the first line

stop the scene has neither a plate nor a canvas [missing-node]
  at scene.kdl:1:1
  1 | 
    | ^
  do: write `plate "file"`, or `canvas width height` for a picture without one
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

stop `piece`, finding what is not the plate: not built yet [not-built]
  at scene.kdl:3:12
  3 | mask "n" { piece; luminance 0 1 }
    |            ^^^^^
  do: draw the outline (polygon, path), or name a painted mask with `image "file"`

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

#[test]
fn outputs() {
    assert_snapshot!(after_head("canvas 100 100\noutput \"a\" { file \"../a.tif\" }\noutput \"b\" { file \"/a.tif\" }\noutput \"c\" { file \"a\" }\noutput \"d\" { file \"a.jpg\"; depth 16; compression \"lzw\"; quality 0 }\noutput \"e\" { file \"a.png\"; depth 32; quality 5 }\noutput \"f\" { file \"f.tif\"; crop 50 50 51 50; size 5; depth 12 }\noutput \"g\" { file \"g.tif\"; crop \"4x5\"; size width=5 height=6 }\noutput \"h\" { file \"h.tif\"; crop \"4:5\" { centre 500 5; zoom 0.5 } }\noutput \"i\" { crop \"0:5\" }\noutput \"j\" { file \"j.tif\"; dither #true; ppi 0; profile \"sRGB\"; background \"#fff\"; intent \"rel\" }\noutput \"k\" { file \"J.tif\" }\n"), @r##"
stop "../a.tif" leaves the output folder by `..` [unsafe-file]
  at scene.kdl:4:19
  4 | output "a" { file "../a.tif" }
    |                   ^^^^^^^^^^
  allowed: a path inside the output folder, with `/` between folders
  do: choose the output folder itself on the command line with --out-dir

stop "/a.tif" begins at the root, and outputs stay in the output folder [unsafe-file]
  at scene.kdl:5:19
  5 | output "b" { file "/a.tif" }
    |                   ^^^^^^^^
  allowed: a path inside the output folder, with `/` between folders
  do: choose the output folder itself on the command line with --out-dir

stop "a" has no extension, which says the format [unknown-format]
  at scene.kdl:6:19
  6 | output "c" { file "a" }
    |                   ^^^
  allowed: .tif, .png, .jpg, .webp

stop a .jpg file can't hold depth 16 [output-combination]
  at scene.kdl:7:28
  7 | output "d" { file "a.jpg"; depth 16; compression "lzw"; quality 0 }
    |                            ^^^^^^^^
  at scene.kdl:7:19
  7 | output "d" { file "a.jpg"; depth 16; compression "lzw"; quality 0 }
    |                   ^^^^^^^ the file's name says the format
  allowed: depth 8
  do: delete it, or change the extension

stop `compression` is for .tif, and this is a .jpg file [output-combination]
  at scene.kdl:7:38
  7 | output "d" { file "a.jpg"; depth 16; compression "lzw"; quality 0 }
    |                                      ^^^^^^^^^^^^^^^^^
  at scene.kdl:7:19
  7 | output "d" { file "a.jpg"; depth 16; compression "lzw"; quality 0 }
    |                   ^^^^^^^ the file's name says the format
  allowed: compression in .tif outputs only
  do: delete it, or change the extension

stop `quality` can't be 0 [out-of-range]
  at scene.kdl:7:65
  7 | output "d" { file "a.jpg"; depth 16; compression "lzw"; quality 0 }
    |                                                                 ^
  allowed: a whole number from 1 to 100

stop a .png file can't hold depth 32 [output-combination]
  at scene.kdl:8:28
  8 | output "e" { file "a.png"; depth 32; quality 5 }
    |                            ^^^^^^^^
  at scene.kdl:8:19
  8 | output "e" { file "a.png"; depth 32; quality 5 }
    |                   ^^^^^^^ the file's name says the format
  allowed: depth 8 or 16 in .png
  do: delete it, or change the extension

stop `quality` is for .jpg and .webp, and this is a .png file [output-combination]
  at scene.kdl:8:38
  8 | output "e" { file "a.png"; depth 32; quality 5 }
    |                                      ^^^^^^^^^
  at scene.kdl:8:19
  8 | output "e" { file "a.png"; depth 32; quality 5 }
    |                   ^^^^^^^ the file's name says the format
  allowed: in .jpg and .webp outputs only
  do: delete it, or change the extension

stop this crop reaches beyond the canvas [outside-canvas]
  at scene.kdl:9:28
  9 | output "f" { file "f.tif"; crop 50 50 51 50; size 5; depth 12 }
    |                            ^^^^^^^^^^^^^^^^
  allowed: x from 0 to 100, y from 0 to 100

stop `size` needs 2 arguments and has 1 [missing-argument]
  at scene.kdl:9:46
  9 | output "f" { file "f.tif"; crop 50 50 51 50; size 5; depth 12 }
    |                                              ^^^^^^
  allowed: size width height, or one of width=, height=, long-edge=

stop `depth` can't be 12 [unknown-value]
  at scene.kdl:9:60
  9 | output "f" { file "f.tif"; crop 50 50 51 50; size 5; depth 12 }
    |                                                            ^^
  allowed: 8, 16 or 32 (floating point) bits a channel

stop "4x5" is no ratio [unknown-value]
  at scene.kdl:10:33
  10 | output "g" { file "g.tif"; crop "4x5"; size width=5 height=6 }
     |                                 ^^^^^
  allowed: "a:b" with a and b above 0, such as "4:5" or "1.91:1"

stop `size` is given by more than one side [extra-argument]
  at scene.kdl:10:60
  10 | output "g" { file "g.tif"; crop "4x5"; size width=5 height=6 }
     |                                                            ^
  allowed: size width height, or one of width=, height=, long-edge=
  do: write both sides as `size width height`

stop the centre 500, 5 lies outside the canvas [outside-canvas]
  at scene.kdl:11:28
  11 | output "h" { file "h.tif"; crop "4:5" { centre 500 5; zoom 0.5 } }
     |                            ^^^^^^^^^^
  allowed: x from 0 to 100, y from 0 to 100

stop `zoom` can't be 0.5 [out-of-range]
  at scene.kdl:11:60
  11 | output "h" { file "h.tif"; crop "4:5" { centre 500 5; zoom 0.5 } }
     |                                                            ^^^
  allowed: a number from 1 to 100

stop output "i" has no file [missing-node]
  at scene.kdl:12:1
  12 | output "i" { crop "0:5" }
     | ^^^^^^^^^^
  do: name it: file "out/{scene}-{output}.tif"

stop "0:5" is no ratio [unknown-value]
  at scene.kdl:12:19
  12 | output "i" { crop "0:5" }
     |                   ^^^^^
  allowed: "a:b" with a and b above 0, such as "4:5" or "1.91:1"

stop `dither` can only be #false [unknown-value]
  at scene.kdl:13:35
  13 | output "j" { file "j.tif"; dither #true; ppi 0; profile "sRGB"; background "#fff"; intent "rel" }
     |                                   ^^^^^
  allowed: dither #false; without it outputs of depth 8 are dithered
  do: leave it out

stop `ppi` can't be 0 [out-of-range]
  at scene.kdl:13:46
  13 | output "j" { file "j.tif"; dither #true; ppi 0; profile "sRGB"; background "#fff"; intent "rel" }
     |                                              ^
  allowed: a number from 1 to 10,000

stop `profile` can't be "sRGB" [unknown-value]
  at scene.kdl:13:57
  13 | output "j" { file "j.tif"; dither #true; ppi 0; profile "sRGB"; background "#fff"; intent "rel" }
     |                                                         ^^^^^^
  allowed: "plate", "srgb", "display-p3", "a98-rgb", "rec2020", "gray", or an .icc file
  nearest: srgb

stop `background` can't be "#fff" [unknown-value]
  at scene.kdl:13:76
  13 | output "j" { file "j.tif"; dither #true; ppi 0; profile "sRGB"; background "#fff"; intent "rel" }
     |                                                                            ^^^^^^
  allowed: a colour as "#rrggbb", such as "#f4f0e8"

stop `intent` can't be "rel" [unknown-value]
  at scene.kdl:13:91
  13 | { file "j.tif"; dither #true; ppi 0; profile "sRGB"; background "#fff"; intent "rel" }
     |                                                                                ^^^^^
  allowed: "relative", "perceptual", "saturation", "absolute"

stop two outputs are written to "J.tif" [same-file]
  at scene.kdl:14:19
  14 | output "k" { file "J.tif" }
     |                   ^^^^^^^
  at scene.kdl:13:19
  13 | output "j" { file "j.tif"; dither #true; ppi 0; profile "sRGB"; background "#fff"; intent "rel" }
     |                   ^^^^^^^ the first one
  do: give each its own file, for instance with {output} in the name
"##);
}

#[test]
fn scenes_without_a_plate() {
    assert_snapshot!(faults("scene \"a\" language=1\nworking \"plate\"\nextend \"pad\"\nelement \"e\" plate=\"x\" { frame \"a.tif\" }\noutput \"o\" { file \"o.tif\"; profile \"plate\" }\n"), @r##"
stop the scene has neither a plate nor a canvas [missing-node]
  at scene.kdl:1:1
  1 | scene "a" language=1
    | ^
  do: write `plate "file"`, or `canvas width height` for a picture without one

stop `working "plate"` takes the plate's colours, and the scene has no plate [needs-plate]
  at scene.kdl:2:1
  2 | working "plate"
    | ^^^^^^^^^^^^^^^
  do: add `plate "file"`, or delete this

stop `extend` continues the base plate, and the scene has no plate [needs-plate]
  at scene.kdl:3:1
  3 | extend "pad"
    | ^^^^^^^^^^^^
  do: add `plate "file"`, or delete this

stop no plate is called "x" [unknown-plate]
  at scene.kdl:4:19
  4 | element "e" plate="x" { frame "a.tif" }
    |                   ^^^
  allowed: nothing: the scene has no plates
  do: name a plate: plate "file" name="..."

stop `profile "plate"` is the plate's own, and the scene has no plate [needs-plate]
  at scene.kdl:5:28
  5 | output "o" { file "o.tif"; profile "plate" }
    |                            ^^^^^^^^^^^^^^^
  do: add `plate "file"`, or delete this
"##);
    assert!(
        ids("scene \"a\" language=1\ncanvas -5 -6 10 10\nelement \"e\" { frame \"a.tif\" }\n")
            .is_empty()
    );
}

#[test]
fn not_built_yet() {
    assert_snapshot!(faults(example::PAGE), @r##"
stop several files in one plate, the same empty set shot again: not built yet [not-built]
  at scene.kdl:10:26
  10 | plate "frames/dry-1.tif" "frames/dry-2.tif"      // the clean set; the canvas takes its size and profile
     |                          ^^^^^^^^^^^^^^^^^^
  do: keep the first file, which is the one shown

stop `piece`, finding what is not the plate: not built yet [not-built]
  at scene.kdl:14:17
  14 | mask "bottle" { piece plate="bare" }             // the product's own outline, in canvas space
     |                 ^^^^^^^^^^^^^^^^^^
  do: draw the outline (polygon, path), or name a painted mask with `image "file"`

stop `balance`, bringing a frame to its plate's exposure and white: not built yet [not-built]
  at scene.kdl:16:8
  16 | each { balance "exposure" }                // treatment of every element, unless it says otherwise
     |        ^^^^^^^^^^^^^^^^^^
  do: state the gains: correct { gain r g b }

stop cutting out element "a" by itself, as it has no mask: not built yet [not-built]
  at scene.kdl:19:5
  19 |     element "a" { frame "frames/nib-11.tif"; offset 120 -64; scale 0.92; rotate 14 }   // cut out, rod gone: the default
     |     ^^^^^^^^^^^
  do: draw a mask, name a painted one with `mask { image "file" }`, or write `mask { all }` for the whole frame

stop `piece`, finding what is not the plate: not built yet [not-built]
  at scene.kdl:23:20
  23 |             keep { piece }                               // what is not the plate ...
     |                    ^^^^^
  do: draw the outline (polygon, path), or name a painted mask with `image "file"`

stop `shadow`, keeping the shadow a piece throws on the set: not built yet [not-built]
  at scene.kdl:27:9
  27 |         shadow                                           // it hangs low: keep the shadow it throws on the table
     |         ^^^^^^
  do: lay the shadow as an element of its own, with a drawn mask and blend="multiply"

stop cutting out element "c" by itself, as it has no mask: not built yet [not-built]
  at scene.kdl:30:5
  30 |     element "c" order=40 { frame "frames/nib-07.tif"; behind "bottle" }   // deeper than its fellows
     |     ^^^^^^^^^^^^^^^^^^^^
  do: draw a mask, name a painted one with `mask { image "file" }`, or write `mask { all }` for the whole frame

stop `behind` a mask that holds a `piece`: not built yet [not-built]
  at scene.kdl:30:55
  30 |     element "c" order=40 { frame "frames/nib-07.tif"; behind "bottle" }   // deeper than its fellows
     |                                                       ^^^^^^^^^^^^^^^
  do: draw the mask, or name a painted one with `image`

stop `piece`, finding what is not the plate: not built yet [not-built]
  at scene.kdl:35:19
  35 |     mask { keep { piece }; within { rect 700 900 1000 800 } }
     |                   ^^^^^
  do: draw the outline (polygon, path), or name a painted mask with `image "file"`
"##);
    assert_snapshot!(after_head("mask \"p\" { mask \"q\" }\nmask \"q\" { piece plate=\"b\" }\nplate \"b.tif\" name=\"b\"\neach { mask { all } }\nelement \"e\" {\n    frame \"a.tif\"\n    mask { keep { piece { card \"c.tif\" plate=\"b\" } }; cut { rig } }\n    align 1 2\n    mend { rig }\n    defocus 3\n    behind \"p\"\n}\nelement \"f\" { frame \"a.tif\"; align #false; balance #false; shadow #false; mend #false; defocus #false }\nseries \"t.csv\"\nrow \"x\" { hide \"e\" }\noutput \"o\" { file \"o.webp\"; sharpen \"screen\"; bleed 3; max-bytes \"400 kB\" }\n"), @r##"
stop `piece`, finding what is not the plate: not built yet [not-built]
  at scene.kdl:4:12
  4 | mask "q" { piece plate="b" }
    |            ^^^^^^^^^^^^^^^
  do: draw the outline (polygon, path), or name a painted mask with `image "file"`

stop `piece`, finding what is not the plate: not built yet [not-built]
  at scene.kdl:9:19
  9 |     mask { keep { piece { card "c.tif" plate="b" } }; cut { rig } }
    |                   ^^^^^
  do: draw the outline (polygon, path), or name a painted mask with `image "file"`

stop `card`, the same piece before a second plate: not built yet [not-built]
  at scene.kdl:9:32
  9 |     mask { keep { piece { card "c.tif" plate="b" } }; cut { rig } }
    |                                ^^^^^^^
  do: paint the mask and name it with `image "file"`

stop `rig`, finding what holds a piece: not built yet [not-built]
  at scene.kdl:9:61
  9 |     mask { keep { piece { card "c.tif" plate="b" } }; cut { rig } }
    |                                                             ^^^
  do: draw it: cut { line "x,y x,y" width=w }

stop `align`, laying a frame onto its plate: not built yet [not-built]
  at scene.kdl:10:5
  10 |     align 1 2
     |     ^^^^^^^^^
  do: place the frame by hand with `offset`, `rotate` and `scale`

stop `mend`, rebuilding part of a piece: not built yet [not-built]
  at scene.kdl:11:5
  11 |     mend { rig }
     |     ^^^^
  do: cover the place with an element of another frame of the same piece

stop `defocus`, a lens blur: not built yet [not-built]
  at scene.kdl:12:5
  12 |     defocus 3
     |     ^^^^^^^^^
  do: blur the frame before it comes in, or leave it sharp

stop `behind` a mask that holds a `piece`: not built yet [not-built]
  at scene.kdl:13:5
  13 |     behind "p"
     |     ^^^^^^^^^^
  do: draw the mask, or name a painted one with `image`

stop `series`, one render a row of a table: not built yet [not-built]
  at scene.kdl:16:8
  16 | series "t.csv"
     |        ^^^^^^^
  do: set the parameters of one product with --set name=value, and run once a product

stop `row`, the changes of one row of a series: not built yet [not-built]
  at scene.kdl:17:1
  17 | row "x" { hide "e" }
     | ^^^^^^^
  do: put the changes into an output

stop writing .webp files: not built yet [not-built]
  at scene.kdl:18:19
  18 | output "o" { file "o.webp"; sharpen "screen"; bleed 3; max-bytes "400 kB" }
     |                   ^^^^^^^^
  do: write .jpg or .png

stop `sharpen`: not built yet [not-built]
  at scene.kdl:18:29
  18 | output "o" { file "o.webp"; sharpen "screen"; bleed 3; max-bytes "400 kB" }
     |                             ^^^^^^^^^^^^^^^^
  do: delete it, and sharpen the file afterwards if it needs it

stop `bleed`, picture beyond the trim: not built yet [not-built]
  at scene.kdl:18:47
  18 | output "o" { file "o.webp"; sharpen "screen"; bleed 3; max-bytes "400 kB" }
     |                                               ^^^^^^^
  do: crop larger: crop x y width height

stop `max-bytes`, finding the quality for a file's size: not built yet [not-built]
  at scene.kdl:18:56
  18 | output "o" { file "o.webp"; sharpen "screen"; bleed 3; max-bytes "400 kB" }
     |                                                        ^^^^^^^^^^^^^^^^^^
  do: set `quality` by hand
"##);
}
