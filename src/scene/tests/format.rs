//! The canonical layout.

use super::example::PAGE;
use crate::scene::formatted;
use insta::assert_snapshot;

#[test]
fn the_page_is_laid_out_already() {
    assert_eq!(formatted(PAGE).unwrap(), PAGE);
}

#[test]
fn a_line_too_long_is_broken_a_node_a_line() {
    let text = r#"element "a" { frame "frames/a-very-long-name-indeed.tif"; offset 120 -64; mask { all }; scale 0.92; rotate 14 } // b
a 1; b 2; c 3 // d
/* e */
f; /* g */ h
"#;
    let once = formatted(text).unwrap();
    assert_snapshot!(once, @r##"
element "a" {
    frame "frames/a-very-long-name-indeed.tif"
    offset 120 -64
    mask { all }
    scale 0.92
    rotate 14
} // b
a 1; b 2; c 3 // d
/* e */
f; /* g */ h
"##);
    assert_eq!(formatted(&once).unwrap(), once);
}

#[test]
fn comments_inside_a_property_stay() {
    assert_eq!(
        formatted("a b /* c */ = /* d */ 5 ( /* e */ param ) \"x\"\n").unwrap(),
        "a b/* c */=/* d */5 (/* e */param)\"x\"\n"
    );
}

#[test]
fn nothing_stays_nothing() {
    for text in [
        "",
        "\n\n",
        "\u{feff}",
        "  \r\n",
        "// a",
        "/* a */  ",
        "/-a { b }",
    ] {
        let once = formatted(text).unwrap();
        assert_eq!(formatted(&once).unwrap(), once, "{text:?}");
    }
    assert_eq!(formatted(" \n\n").unwrap(), "");
    assert_eq!(formatted("// a").unwrap(), "// a\n");
}

#[test]
fn everything_in_its_place() {
    let text = "\u{feff}\r\n\r\nscene \"a\"   language = 1{title \"x\"   // why\r\n}\r\n\r\n\r\n// alone\r\n  group n { // opening\r\n\r\n\telement   \"a\" { frame \"a.tif\" ;mask{all} }; element b {frame \"b.tif\"; offset 1.50 +2; scale 0x1; rotate 1e1; resample \"nearest\"; blend }\n /* c */ element  \"d\" /-opacity=1 order = (param) \"x\" {}\n/- element \"e\"   { frame \"e.tif\"\n }\n  long 1 \\ // joined\n 2   \\\n 3\n text \"\"\"\n     two\n  lines\n  \"\"\"\n\n}\n empty {\n\n}   // end\nraw #\"a\\b\"# /-{ x }";
    let once = formatted(text).unwrap();
    assert_snapshot!(once, @r##"
scene "a" language=1 {
    title "x"   // why
}

// alone
group n { // opening
    element "a" { frame "a.tif"; mask { all } }
    element b { frame "b.tif"; offset 1.50 +2; scale 0x1; rotate 1e1; resample "nearest"; blend }
    /* c */ element "d" /-opacity=1 order=(param)"x" {}
    /-element "e" {
        frame "e.tif"
    }
    long 1 \ // joined
        2 \
        3
    text """
     two
  lines
  """
}
empty {}   // end
raw #"a\b"# /-{ x }
"##);
    assert_eq!(formatted(&once).unwrap(), once);
}
