//! Help, version, completions, manual pages.

use super::run;
use std::path::Path;

const VERBS: [&str; 9] = [
    "render",
    "check",
    "explain",
    "at",
    "fmt",
    "cutout",
    "pin",
    "completions",
    "man",
];

fn here() -> &'static Path {
    Path::new(env!("CARGO_TARGET_TMPDIR"))
}

#[test]
fn help_begins_with_an_example() {
    let ran = run(here(), &["--help"]);
    assert_eq!(ran.code, 0);
    assert_eq!(ran.err, "");
    insta::assert_snapshot!(ran.out, @r#"
    Example:
      platewright render scene.kdl                  the master and every crop, beside the scene
      platewright render scene.kdl --preview 1200   small pictures to look at first

    Assembles a picture from a plate and many frames, as one text file says

    Usage: platewright [OPTIONS] <COMMAND>

    Commands:
      render       Compose the picture and write its outputs
      check        Report everything that is wrong with the scene and its files; writes nothing
      explain      Say what is read, where each piece lands and in which order, and the memory needed
      at           Say who is at a point of the picture, front to back, and where that is in each frame
      fmt          Lay out scene files the one usual way, comments kept
      cutout       Cut a piece out of a frame by its plate, without a scene: matte, colour, shadow, a sheet to check
      pin          Write settled values into the scene, so that nothing moves when a mask is edited later
      completions  Print what a shell needs to complete these words
      man          Print the manual page

    Options:
          --json     Answer with one JSON object on standard output
      -h, --help     Print help
      -V, --version  Print version

    Exit codes: 0 done, 1 the scene needs attention, 2 the command line or the machine does
    "#);
    insta::assert_snapshot!(run(here(), &["render", "--help"]).out, @r#"
    Example:
      platewright render scene.kdl
      platewright render scene.kdl portrait --set ink=crimson --out-dir proofs

    Compose the picture and write its outputs

    Usage: platewright render [OPTIONS] <SCENE> [OUTPUT]...

    Arguments:
      <SCENE>      The scene file
      [OUTPUT]...  Only these outputs; all when none is named

    Options:
          --set <NAME=VALUE>  Set a parameter of the scene; may be repeated
          --memory <SIZE>     Most memory for pictures: 6GiB, 900MiB [default: 8GiB]
          --threads <N>       Threads to use, one a core by default; never changes a byte
          --no-store          Cut out every piece anew: neither use nor keep what other runs found
          --out-dir <DIR>     Where output files go; the scene's own folder by default
          --preview <N>       Write small PNGs instead, at most N pixels long, with guides drawn
          --cutouts           Write every element's cut-out too, into DIR/cutouts/MEMBER/
          --json              Answer with one JSON object on standard output
      -h, --help              Print help
    "#);
    for verb in VERBS {
        let ran = run(here(), &[verb, "--help"]);
        let begins = format!("Example:\n  platewright {verb} ");
        let alone = format!("Example:\n  platewright {verb}\n");
        assert!(
            ran.out.starts_with(&begins) || ran.out.starts_with(&alone),
            "{}",
            ran.out
        );
        assert_eq!(ran.code, 0);
        for line in ran.out.lines() {
            assert!(line.chars().count() <= 100, "{verb}: {line}");
        }
    }
}

#[test]
fn nothing_typed_gets_the_help_and_code_2() {
    let ran = run(here(), &[]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    assert_eq!(ran.err, run(here(), &["--help"]).out);
}

#[test]
fn a_wrong_word_gets_the_nearest_one_and_code_2() {
    let ran = run(here(), &["rendr"]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    insta::assert_snapshot!(ran.err, @r#"
    error: unrecognized subcommand 'rendr'

      tip: a similar subcommand exists: 'render'

    Usage: platewright [OPTIONS] <COMMAND>

    For more information, try '--help'.
    "#);
    let ran = run(here(), &["render", "scene.kdl", "--set", "ink"]);
    assert_eq!(ran.code, 2);
    insta::assert_snapshot!(ran.err, @r#"
    error: invalid value 'ink' for '--set <NAME=VALUE>': write name=value

    For more information, try '--help'.
    "#);
    let ran = run(here(), &["render", "scene.kdl", "--memory", "8 GB"]);
    assert_eq!(ran.code, 2);
    insta::assert_snapshot!(ran.err, @r#"
    error: invalid value '8 GB' for '--memory <SIZE>': "8 GB" is no size; write "6 GiB" or "900 MiB"

    For more information, try '--help'.
    "#);
}

#[test]
fn the_version_is_the_packages() {
    let ran = run(here(), &["--version"]);
    assert_eq!(ran.code, 0);
    assert_eq!(
        ran.out,
        format!("platewright {}\n", env!("CARGO_PKG_VERSION"))
    );
}

#[test]
fn every_shell_gets_every_verb() {
    for shell in ["bash", "zsh", "fish"] {
        let ran = run(here(), &["completions", shell]);
        assert_eq!((ran.code, ran.err.as_str()), (0, ""));
        for verb in VERBS {
            assert!(ran.out.contains(verb), "{shell} knows {verb}");
        }
    }
    assert_eq!(run(here(), &["completions", "abacus"]).code, 2);
}

#[test]
fn manual_pages_hold_the_examples() {
    let ran = run(here(), &["man"]);
    assert_eq!((ran.code, ran.err.as_str()), (0, ""));
    // man(7): a page begins with its title.
    assert!(ran.out.contains(".TH platewright 1"), "{}", ran.out);
    assert!(ran.out.contains("platewright render scene.kdl"));
    for verb in VERBS {
        let page = run(here(), &["man", verb]);
        assert_eq!(page.code, 0);
        assert!(page.out.contains(&format!("platewright {verb}")), "{verb}");
    }
    let ran = run(here(), &["man", "nib"]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    insta::assert_snapshot!(ran.err, @r#"
    stop there is no verb "nib" [command-line]
      allowed: render, check, explain, at, fmt, cutout, pin, completions, man

    1 thing to put right
    "#);
}
