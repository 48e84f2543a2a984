//! What is KDL and still wrong: each kind of fault, as a photographer reads it.

use super::*;
use insta::assert_snapshot;

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

stop `align` takes a word or numbers, and this is #true or #false [wrong-type]
  at scene.kdl:8:11
  8 |     align #true
    |           ^^^^^
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
