//! What is no KDL, told in plain words at its place.

use super::*;
use insta::assert_snapshot;

#[test]
fn all_faults_of_a_text_come_together() {
    let text = r##"scene "a" language=1
backdrop #ff0000
element a/b {
    frame "a.tif
    offset 12px 3
    opacity=
    scale .5
    rotate 1 = 2
    frame "frames\nib.tif" "x\q"
    in=true
}
}
canvas 5"x"
title """one line"""
output "m" { file "a.tif" } hide
;
[x]
plate (u8
/-
"##;
    assert_snapshot!(faults(text), @r##"
stop `#ff0000` is no value [syntax]
  at scene.kdl:2:10
  2 | backdrop #ff0000
    |          ^^^^^^^
  do: put the colour in quotes: "#ff0000"

stop `a/b` is no bare word [syntax]
  at scene.kdl:3:9
  3 | element a/b {
    |         ^^^
  do: put it in quotes

stop this text has no closing quote on its line [syntax]
  at scene.kdl:4:11
  4 |     frame "a.tif
    |           ^^^^^^
  do: close it with `"`

stop `12px` is no number [syntax]
  at scene.kdl:5:12
  5 |     offset 12px 3
    |            ^^^^
  do: write digits with a point, such as 0.5 or -12, and leave units away; a text stands in quotes

stop `opacity` stands like a property, with `=`, where a node is expected [syntax]
  at scene.kdl:6:5
  6 |     opacity=
    |     ^^^^^^^^
  do: write a property on its node's own line, before the `{`; a node has no `=`

stop `.5` is no number [syntax]
  at scene.kdl:7:11
  7 |     scale .5
    |           ^^
  do: write digits with a point, such as 0.5 or -12, and leave units away; a text stands in quotes

stop a property's name stands before `=`, and this is none [syntax]
  at scene.kdl:8:12
  8 |     rotate 1 = 2
    |            ^
  do: write name=value

stop `\q` means nothing in a text [syntax]
  at scene.kdl:9:30
  9 |     frame "frames\nib.tif" "x\q"
    |                              ^^
  do: write `/` between folders, or `\\` for a backslash

stop `in` stands like a property, with `=`, where a node is expected [syntax]
  at scene.kdl:10:5
  10 |     in=true
     |     ^^^
  do: write a property on its node's own line, before the `{`; a node has no `=`

stop `true` is no bare word [syntax]
  at scene.kdl:10:8
  10 |     in=true
     |        ^^^^
  do: write #true, or "true" for the text

stop this `}` closes nothing [syntax]
  at scene.kdl:12:1
  12 | }
     | ^
  do: delete it, or look for a missing `{` above

stop a space is missing before this [syntax]
  at scene.kdl:13:9
  13 | canvas 5"x"
     |         ^^^
  do: separate values by a space

stop three quotes begin a text of several lines, so a new line must follow [syntax]
  at scene.kdl:14:7
  14 | title """one line"""
     |       ^^^
  do: use one quote on each side for a text on one line

stop something follows the `}` on its line [syntax]
  at scene.kdl:15:29
  15 | output "m" { file "a.tif" } hide
     |                             ^^^^
  do: end the line there, or write `;` between the two nodes

stop this `;` ends nothing [syntax]
  at scene.kdl:16:1
  16 | ;
     | ^
  do: delete it: `;` stands after a node, and a line's end does the same

stop `[x]` stands where a node's name is expected [syntax]
  at scene.kdl:17:1
  17 | [x]
     | ^^^
  do: a name begins with a letter; see the nodes the language page lists

stop this `(` has no `)` [syntax]
  at scene.kdl:18:7
  18 | plate (u8
     |       ^
  do: write (param)"name" for a number taken from a parameter

stop a value is missing after this [syntax]
  at scene.kdl:18:8
  18 | plate (u8
     |        ^^
  do: write the value it belongs to

stop `/-` has nothing to leave out here [syntax]
  at scene.kdl:19:3
  19 | /-
     |   ^
  do: put it before a node, an argument, a property or a block
"##);
}

#[test]
fn what_never_ends_is_told_where_it_begins() {
    assert_snapshot!(faults("scene \"a\" language=1\ngroup \"g\" {\n    element \"e\" {\n        frame \"a.tif\"\n    }\n"), @r##"
stop this `{` is never closed [syntax]
  at scene.kdl:2:11
  2 | group "g" {
    |           ^
  do: write `}` after its last node
"##);
    assert_snapshot!(faults("scene \"a\" language=1\n/* open\nelement \"e\" {}\n"), @r##"
stop this comment never ends [syntax]
  at scene.kdl:2:1
  2 | /* open
    | ^^
  do: close it with `*/`
"##);
    assert_snapshot!(faults("title \"\"\"\n  text\n"), @r##"
stop this text of several lines has no closing quotes [syntax]
  at scene.kdl:1:7
  1 | title """
    |       ^^^
  do: close it with three quotes on a line of their own
"##);
    assert_snapshot!(faults("title ##\"text\"#\n"), @r##"
stop this raw text has no closing quote on its line [syntax]
  at scene.kdl:1:7
  1 | title ##"text"#
    |       ^^^^^^^^^
  do: close it with a quote and as many `#` as it began with
"##);
}

#[test]
fn numbers_no_machine_can_hold_are_told() {
    assert_snapshot!(faults("scene \"a\" language=1\ncanvas 1e400 170141183460469231731687303715884105728\nbackdrop #nan\n"), @r##"
stop the number `1e400` is too large to be held [not-finite]
  at scene.kdl:2:8
  2 | canvas 1e400 170141183460469231731687303715884105728
    |        ^^^^^
  do: write a smaller number

stop the number `170141183460469231731687303715884105728` is too large to be held [not-finite]
  at scene.kdl:2:14
  2 | canvas 1e400 170141183460469231731687303715884105728
    |              ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^
  do: write a smaller number
"##);
    assert_snapshot!(faults("scene \"a\" language=1\ncanvas #inf #nan\nbackdrop #-inf\n"), @r##"
stop the scene has neither a plate nor a canvas [missing-node]
  at scene.kdl:1:1
  1 | scene "a" language=1
    | ^
  do: write `plate "file"`, or `canvas width height` for a picture without one

stop `canvas` must be a finite number [not-finite]
  at scene.kdl:2:8
  2 | canvas #inf #nan
    |        ^^^^
  allowed: a whole number from 1 to 1,000,000

stop `canvas` must be a finite number [not-finite]
  at scene.kdl:2:13
  2 | canvas #inf #nan
    |             ^^^^
  allowed: a whole number from 1 to 1,000,000

stop `backdrop` takes a text, and this is no finite number [wrong-type]
  at scene.kdl:3:10
  3 | backdrop #-inf
    |          ^^^^^
"##);
}

#[test]
fn what_the_parser_alone_knows_is_put_at_its_place() {
    // The indent of a text of several lines is the parser's to judge.
    assert_snapshot!(faults("scene \"a\" language=1 {\n    title \"\"\"\n  less\n    \"\"\"\n}\n"), @r##"
stop this line begins left of the closing quotes of its text [syntax]
  at scene.kdl:3:1
  3 |   less
    | ^^^^^^
  do: indent it at least as far as the closing quotes, with the same spaces
"##);
    assert_snapshot!(faults("scene \"a\" language=1 {\n    title x=\"\"\"\n  less\n    \"\"\"\n}\n"), @r##"
stop this line begins left of the closing quotes of its text [syntax]
  at scene.kdl:3:1
  3 |   less
    | ^^^^^^
  do: indent it at least as far as the closing quotes, with the same spaces
"##);
    assert_snapshot!(faults("scene \"a\" language=1 {\n    title #\"\"\"#\n}\n"), @r##"
stop three quotes begin a text of several lines [syntax]
  at scene.kdl:2:11
  2 |     title #"""#
    |           ^^^^^
  do: write "\"" for a quote alone
"##);
}

#[test]
fn what_is_left_out_by_a_slashdash_is_left_out_wherever_it_stands() {
    let scene = good(
        "/-x 1; scene \"a\" language=1 /-b=2 /-{ y }\n/- (t)plate \"q\" { a /-{ b } }\n\
         canvas 10 /-11 20; /-canvas 1 1; group \"g\" { /-element \"x\" { frame }; element \"e\" { frame /- \"q\" \"a.tif\" } /-{ z } }\n",
    );
    assert_eq!(scene.name, "a");
    assert_eq!(scene.stage.canvas.unwrap().value.height, 20);
    assert!(scene.plates.is_empty());
    let crate::scene::Member::Group(group) = &scene.members[0] else {
        panic!()
    };
    assert_eq!(group.members.len(), 1);
}

/// Two refusals of the KDL project's own test cases: zero_space_before_slashdash_arg_fail,
/// slashdash_child_block_before_entry_err_fail.
#[test]
fn a_slashdash_stands_where_kdl_allows_one() {
    assert_snapshot!(faults("node \"string\"/-1\nnode /-{\n    child\n} foo {\n    bar\n}\n"), @r##"
stop a space is missing before this `/-` [syntax]
  at scene.kdl:1:14
  1 | node "string"/-1
    |              ^^
  do: separate values by a space

stop something follows the `}` on its line [syntax]
  at scene.kdl:4:3
  4 | } foo {
    |   ^^^
  do: end the line there, or write `;` between the two nodes
"##);
}

#[test]
fn a_byte_order_mark_and_carriage_returns_change_nothing() {
    let plain = "scene \"a\" language=1 {\n    title \"b\"\n}\ncanvas 10 10\n";
    let scene = good(&format!("\u{feff}{}", plain.replace('\n', "\r\n")));
    assert_eq!(scene.title.unwrap().value, "b");
    assert_snapshot!(faults(&format!("\u{feff}{}", plain.replace('\n', "\r\n").replace("10 10", "10 x"))), @r##"
stop the scene has neither a plate nor a canvas [missing-node]
  at scene.kdl:1:1
  1 | ﻿scene "a" language=1 {
    | ^
  do: write `plate "file"`, or `canvas width height` for a picture without one

stop `canvas` takes a whole number, and this is a text [wrong-type]
  at scene.kdl:4:11
  4 | canvas 10 x
    |           ^
  allowed: a whole number from 1 to 1,000,000
"##);
}
