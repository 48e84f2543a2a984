//! Outputs, scenes without a plate, and what is not built yet.

use super::*;
use insta::assert_snapshot;

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
stop `shadow`, keeping the shadow a piece throws on the set: not built yet [not-built]
  at scene.kdl:27:9
  27 |         shadow                                           // it hangs low: keep the shadow it throws on the table
     |         ^^^^^^
  do: lay the shadow as an element of its own, with a drawn mask and blend="multiply"

stop `behind` a mask that holds a `piece`: not built yet [not-built]
  at scene.kdl:30:55
  30 |     element "c" order=40 { frame "frames/nib-07.tif"; behind "bottle" }   // deeper than its fellows
     |                                                       ^^^^^^^^^^^^^^^
  do: draw the mask, or name a painted one with `image`
"##);
    assert_snapshot!(after_head("mask \"p\" { mask \"q\" }\nmask \"q\" { piece plate=\"b\" }\nplate \"b.tif\" name=\"b\"\neach { mask { all } }\nelement \"e\" {\n    frame \"a.tif\"\n    mask { keep { piece { card \"c.tif\" plate=\"b\" } }; cut { rig } }\n    align 1 2\n    mend { rig }\n    defocus 3\n    behind \"p\"\n}\nelement \"f\" { frame \"a.tif\"; align #false; balance #false; shadow #false; mend #false; defocus #false }\nseries \"t.csv\"\nrow \"x\" { hide \"e\" }\noutput \"o\" { file \"o.webp\"; sharpen \"screen\"; bleed 3; max-bytes \"400 kB\" }\n"), @r##"
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

#[test]
fn an_output_left_out_collides_with_none() {
    let two = |off: &str| {
        format!(
            "scene language=1\ncanvas 1 1\noutput \"a\" {off} {{ file \"a.tif\" }}\noutput \"b\" {{ file \"a.tif\" }}\n"
        )
    };
    assert_eq!(ids(&two("off=#false")), ["same-file"]);
    assert!(ids(&two("off=#true")).is_empty());
}
