//! Parameters and includes.

use super::*;
use crate::scene::Member;
use insta::assert_snapshot;

fn set(text: &str, settings: &[(&str, &str)]) -> Result<Scene, Refused> {
    let settings: Vec<(String, String)> = settings
        .iter()
        .map(|(name, text)| ((*name).to_owned(), (*text).to_owned()))
        .collect();
    read(
        Path::new("jobs/ink.kdl"),
        &settings,
        &Shelf::of(&[("jobs/ink.kdl", text)]),
    )
}

const TEXT: &str = r#"scene language=1
param "ink" "indigo"
param "shift" 30
param "both" "{ink}-{shift}"
canvas 100 100
element "{ink}" { frame "frames/{both}.tif"; offset (param)"shift" -2 }
output "m" { file "out/{scene}-{output}-{ink}-{{x}}.tif" }
"#;

#[test]
fn values_go_where_their_names_stand() {
    let scene = set(TEXT, &[]).unwrap();
    assert_eq!(scene.name, "ink");
    assert_eq!(scene.outputs[0].file.value, "out/ink-m-indigo-{x}.tif");
    let Member::Element(element) = &scene.members[0] else {
        panic!()
    };
    assert_eq!(element.name.value, "indigo");
    assert_eq!(
        element.frame.path.value,
        Path::new("jobs/frames/indigo-30.tif")
    );
    assert_eq!(
        element.treatment.placement.offset.value(),
        Some(&[30.0, -2.0])
    );
    let scene = set(TEXT, &[("ink", "rose"), ("shift", "-1.5e1")]).unwrap();
    assert_eq!(scene.outputs[0].file.value, "out/ink-m-rose-{x}.tif");
    let Member::Element(element) = &scene.members[0] else {
        panic!()
    };
    assert_eq!(
        element.treatment.placement.offset.value(),
        Some(&[-15.0, -2.0])
    );
}

#[test]
fn values_that_do_not_fit_are_told_at_their_slot() {
    let refused = set(TEXT, &[("ink", "../x"), ("shift", "2000000"), ("inc", "a")]).unwrap_err();
    assert_snapshot!(told(&refused), @r##"
stop --set gives "inc", and the scene declares no such parameter [unknown-parameter]
  allowed: ink, shift, both
  nearest: ink

stop "../x" can't name an element [bad-name]
  at jobs/ink.kdl:6:9
  6 | element "{ink}" { frame "frames/{both}.tif"; offset (param)"shift" -2 }
    |         ^^^^^^^
  allowed: a text that is not empty, without `/`, `\` and control characters

stop `offset` can't be 2,000,000 [out-of-range]
  at jobs/ink.kdl:6:53
  6 | element "{ink}" { frame "frames/{both}.tif"; offset (param)"shift" -2 }
    |                                                     ^^^^^^^^^^^^^^
  allowed: a number from -1,000,000 to 1,000,000

stop {ink} is "../x" here, and can't be part of a file name [unsafe-file]
  at jobs/ink.kdl:7:19
  7 | output "m" { file "out/{scene}-{output}-{ink}-{{x}}.tif" }
    |                   ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^
  allowed: a value without `/`, `\`, `..` and control characters
"##);
    let refused = set(TEXT, &[("ink", "a\u{0}"), ("shift", "far")]).unwrap_err();
    assert_snapshot!(told(&refused), @r##"
stop "a�" can't name an element [bad-name]
  at jobs/ink.kdl:6:9
  6 | element "{ink}" { frame "frames/{both}.tif"; offset (param)"shift" -2 }
    |         ^^^^^^^
  allowed: a text that is not empty, without `/`, `\` and control characters

stop "frames/a�-far.tif" holds a control character [bad-path]
  at jobs/ink.kdl:6:25
  6 | element "{ink}" { frame "frames/{both}.tif"; offset (param)"shift" -2 }
    |                         ^^^^^^^^^^^^^^^^^^^
  allowed: a path with `/` between folders, from the folder of this file

stop parameter "shift" is "far", and a number is needed here [wrong-type]
  at jobs/ink.kdl:6:53
  6 | element "{ink}" { frame "frames/{both}.tif"; offset (param)"shift" -2 }
    |                                                     ^^^^^^^^^^^^^^
  at jobs/ink.kdl:3:1
  3 | param "shift" 30
    | ^^^^^^^^^^^^^^^^ declared here
  allowed: a finite number, such as 12 or -0.5

stop {ink} is "a�" here, and can't be part of a file name [unsafe-file]
  at jobs/ink.kdl:7:19
  7 | output "m" { file "out/{scene}-{output}-{ink}-{{x}}.tif" }
    |                   ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^
  allowed: a value without `/`, `\`, `..` and control characters

stop "out/ink-m-a�-{x}.tif" holds a control character [unsafe-file]
  at jobs/ink.kdl:7:19
  7 | output "m" { file "out/{scene}-{output}-{ink}-{{x}}.tif" }
    |                   ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^
  allowed: a path inside the output folder, with `/` between folders
  do: choose the output folder itself on the command line with --out-dir
"##);
}

#[test]
fn no_value_leads_a_file_out_of_its_folder() {
    let text =
        "scene language=1\ncanvas 1 1\nparam \"p\"\noutput \"o\" { file \"out/{p}/a.tif\" }\n";
    for value in ["..", "a/b", "/", "a\\b", "a\u{7}", "a..b"] {
        let refused = set(text, &[("p", value)]).unwrap_err();
        assert!(
            told(&refused).contains("can't be part of a file name"),
            "{value:?}"
        );
    }
    assert!(set(text, &[("p", "a.b")]).is_ok());
}

#[test]
fn names_unknown_unset_or_no_names() {
    let text = "scene \"{x}\" language=1\ncanvas 1 1\nparam \"Ink\" \"a\"\nparam \"row\" \"a\"\nparam \"ink\"\nparam \"tone\" \"{late}\"\nparam \"late\" \"a\"\nparam \"late\" \"b\"\nbackdrop \"{toen}\"\nelement \"e\" { frame \"{output}{row}\"; offset (param)\"tnoe\" (u8)\"x\" }\nelement \"f\" { frame (param)\"tone\"; offset \"{tone\" 1 }\n";
    assert_snapshot!(faults(text), @r##"
stop (u8) means nothing here [syntax]
  at scene.kdl:10:59
  10 | element "e" { frame "{output}{row}"; offset (param)"tnoe" (u8)"x" }
     |                                                           ^^^^^^^
  do: only (param)"name" is known: it stands for a number taken from a parameter
"##);
    let text = text.replace("(u8)", "");
    assert_snapshot!(faults(&text), @r##"
stop the scene's own name holds no parameters [bad-name]
  at scene.kdl:1:7
  1 | scene "{x}" language=1
    |       ^^^^^
  allowed: a text without `{` and `}`

stop "Ink" can't name a parameter [bad-name]
  at scene.kdl:3:7
  3 | param "Ink" "a"
    |       ^^^^^
  allowed: small letters a to z, digits and `-`, a letter first

stop "row" is built in and can't be declared [bad-name]
  at scene.kdl:4:7
  4 | param "row" "a"
    |       ^^^^^
  do: use {row} as it is, or choose another name

stop parameter "ink" has no value [unset-parameter]
  at scene.kdl:5:1
  5 | param "ink"
    | ^^^^^^^^^^^
  do: give it on the command line with --set ink=..., or write a default: param "ink" "..."

stop no parameter is called "late" [unknown-parameter]
  at scene.kdl:6:14
  6 | param "tone" "{late}"
    |              ^^^^^^^^
  allowed: ink; built in: scene, output, row
  do: a default sees only the parameters above it

stop two parameters are called "late" [duplicate-name]
  at scene.kdl:8:7
  8 | param "late" "b"
    |       ^^^^^^
  at scene.kdl:7:1
  7 | param "late" "a"
    | ^^^^^^^^^^^^^^^^ the first one
  do: delete one, or give it another name

stop no parameter is called "toen" [unknown-parameter]
  at scene.kdl:9:10
  9 | backdrop "{toen}"
    |          ^^^^^^^^
  allowed: ink, tone, late; built in: scene, output, row
  nearest: tone

stop {output} is known only inside an output [unknown-parameter]
  at scene.kdl:10:21
  10 | element "e" { frame "{output}{row}"; offset (param)"tnoe" "x" }
     |                     ^^^^^^^^^^^^^^^
  do: use it in an output's nodes, or write the text itself

stop {row} is known only in a scene with a `series` [unknown-parameter]
  at scene.kdl:10:21
  10 | element "e" { frame "{output}{row}"; offset (param)"tnoe" "x" }
     |                     ^^^^^^^^^^^^^^^
  do: declare a parameter: param "ink" "indigo", and use {ink}

stop no parameter is called "tnoe" [unknown-parameter]
  at scene.kdl:10:45
  10 | element "e" { frame "{output}{row}"; offset (param)"tnoe" "x" }
     |                                             ^^^^^^^^^^^^^
  allowed: ink, tone, late; built in: scene, output, row
  nearest: tone

stop `offset` takes a number, and this is a text [wrong-type]
  at scene.kdl:10:59
  10 | element "e" { frame "{output}{row}"; offset (param)"tnoe" "x" }
     |                                                           ^^^
  allowed: a number from -1,000,000 to 1,000,000

stop `frame` takes a text, and (param) stands for a number [wrong-type]
  at scene.kdl:11:21
  11 | element "f" { frame (param)"tone"; offset "{tone" 1 }
     |                     ^^^^^^^^^^^^^
  do: write "{tone}"

stop `offset` takes a number, and this is a text [wrong-type]
  at scene.kdl:11:43
  11 | element "f" { frame (param)"tone"; offset "{tone" 1 }
     |                                           ^^^^^^^
  allowed: a number from -1,000,000 to 1,000,000
"##);
}

#[test]
fn included_nodes_stand_in_place() {
    let shelf = Shelf::of(&[
        (
            "jobs/scene.kdl",
            "scene \"a\" language=1\nparam \"which\" \"web\"\ncanvas 10 10\ngroup \"g\" { include \"parts/e.kdl\" }\ninclude \"shared/{which}.kdl\"\n",
        ),
        ("jobs/parts/e.kdl", "element \"e\" { frame \"f/a.tif\" }\n"),
        (
            "jobs/shared/web.kdl",
            "output \"web\" { include \"size.kdl\"; file \"w.jpg\" }\n",
        ),
        ("jobs/shared/size.kdl", "size width=5\n"),
    ]);
    let scene = read(Path::new("jobs/scene.kdl"), &[], &shelf).unwrap();
    let Member::Group(group) = &scene.members[0] else {
        panic!()
    };
    let Member::Element(element) = &group.members[0] else {
        panic!()
    };
    assert_eq!(element.frame.path.value, Path::new("jobs/parts/f/a.tif"));
    assert!(scene.outputs[0].size.is_some());
}

#[test]
fn includes_that_fail_are_told_where_they_stand() {
    let shelf = Shelf::of(&[
        (
            "scene.kdl",
            "scene \"a\" language=1\ncanvas 10 10\ninclude \"none.kdl\"\ninclude\ninclude 5\ninclude \"e.kdl\"\nelement \"e\" { frame \"a.tif\"; include \"e.kdl\"; behind \"from-none\" }\n",
        ),
        ("e.kdl", "scene \"b\" language=1\nzebra 5\n"),
    ]);
    assert_snapshot!(told(&read(Path::new("scene.kdl"), &[], &shelf).unwrap_err()), @r##"
stop "none.kdl" can't be read: there is no such file [unreadable]
  at scene.kdl:3:9
  3 | include "none.kdl"
    |         ^^^^^^^^^^
  do: the path is relative to the file that includes it

stop `include` takes one path, and has 0 [missing-argument]
  at scene.kdl:4:1
  4 | include
    | ^^^^^^^
  allowed: include "file.kdl"

stop `include` takes a path, and this is a number [wrong-type]
  at scene.kdl:5:9
  5 | include 5
    |         ^
  allowed: include "file.kdl"

stop `include` is no node of an element [unknown-node]
  at scene.kdl:7:30
  7 | element "e" { frame "a.tif"; include "e.kdl"; behind "from-none" }
    |                              ^^^^^^^
  allowed: frame, align, balance, mask, correct, defocus, offset, scale, rotate, flip, pivot, resample, behind, shadow, mend
  do: `include "file.kdl"` stands at the top, in a group or in an output

stop an included file has no `scene` node [scene-place]
  at e.kdl:1:1
  1 | scene "b" language=1
    | ^^^^^^^^^^^^^^^^^^^^
  do: keep `scene` in the file that includes this one

stop `zebra` is no node of a scene [unknown-node]
  at e.kdl:2:1
  2 | zebra 5
    | ^^^^^
  allowed: backdrop, working, each, series, include, canvas, extend, correct, guide, scene, param, plate, safe, protect, row, mask, group, element, output
"##);
    let shelf = Shelf::of(&[
        (
            "scene.kdl",
            "scene \"a\" language=1\ncanvas 10 x\ninclude \"e.kdl\"\n",
        ),
        ("e.kdl", "zebra 5 }\n"),
    ]);
    assert_snapshot!(told(&read(Path::new("scene.kdl"), &[], &shelf).unwrap_err()), @r##"
stop this `}` closes nothing [syntax]
  at e.kdl:1:9
  1 | zebra 5 }
    |         ^
  do: delete it, or look for a missing `{` above
"##);
    assert_snapshot!(told(&read(Path::new("none.kdl"), &[], &shelf).unwrap_err()), @r##"
stop "none.kdl" can't be read: there is no such file [unreadable]
  do: check the path; it is relative to the folder you are in
"##);
}
