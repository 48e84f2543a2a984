//! Laws of whole masks: the algebra, split = whole, the steps' own identities.

use proptest::prelude::*;

use super::{Cap, FillRule, Layer, Program, Source, Step};
use crate::budget::Account;
use crate::geom::Rect;
use crate::raster::Matte;

const SPACE: Rect = Rect {
    x0: -7,
    y0: 3,
    x1: 41,
    y1: 37,
};

fn layer(source: Source) -> Layer {
    Layer {
        source,
        feather: 0.0,
    }
}

fn run(steps: Vec<Step>, space: Rect) -> Matte {
    Program { steps }
        .coverage(space, space, &Account::unlimited())
        .unwrap()
}

fn disc(cx: f64, cy: f64, r: f64) -> Source {
    Source::Ellipse {
        cx,
        cy,
        rx: r,
        ry: r,
    }
}

fn sum(matte: &Matte) -> f64 {
    matte.data().iter().map(|v| f64::from(*v)).sum()
}

fn arbitrary_source() -> impl Strategy<Value = Source> {
    let at = || (-15.0..50.0_f64, -5.0..45.0_f64);
    prop_oneof![
        Just(Source::All),
        (at(), 0.1..30.0_f64, 0.1..30.0_f64).prop_map(|((x, y), width, height)| Source::Rect {
            x,
            y,
            width,
            height
        }),
        (at(), 0.1..20.0_f64, 0.1..20.0_f64).prop_map(|((cx, cy), rx, ry)| Source::Ellipse {
            cx,
            cy,
            rx,
            ry
        }),
        (proptest::collection::vec(at(), 3..9), any::<bool>()).prop_map(|(points, odd)| {
            Source::Polygon {
                points,
                rule: if odd {
                    FillRule::EvenOdd
                } else {
                    FillRule::Nonzero
                },
            }
        }),
        (
            proptest::collection::vec(at(), 1..6),
            0.1..12.0_f64,
            any::<bool>()
        )
            .prop_map(|(points, width, butt)| Source::Line {
                points,
                width,
                cap: if butt { Cap::Butt } else { Cap::Round }
            }),
    ]
}

fn arbitrary_layers() -> impl Strategy<Value = Vec<Layer>> {
    let layer = (arbitrary_source(), prop_oneof![Just(0.0), 0.1..3.0_f64])
        .prop_map(|(source, feather)| Layer { source, feather });
    proptest::collection::vec(layer, 1..4)
}

fn arbitrary_program() -> impl Strategy<Value = Program> {
    let step = prop_oneof![
        arbitrary_layers().prop_map(Step::Keep),
        arbitrary_layers().prop_map(Step::Within),
        arbitrary_layers().prop_map(Step::Cut),
        (0.0..4.0_f64).prop_map(Step::Feather),
        (0.0..6.0_f64).prop_map(Step::Dilate),
        (0.0..6.0_f64).prop_map(Step::Erode),
        (-0.5..0.5_f64, 0.6..1.5_f64).prop_map(|(low, high)| Step::Ramp(low, high)),
        Just(Step::Invert),
    ];
    (arbitrary_layers(), proptest::collection::vec(step, 0..5)).prop_map(|(keep, rest)| {
        let mut steps = vec![Step::Keep(keep)];
        steps.extend(rest);
        Program { steps }
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn a_part_has_the_bits_of_the_whole(
        program in arbitrary_program(),
        x in -7..41_i32, y in 3..37_i32, w in 1..30_u32, h in 1..30_u32,
    ) {
        let account = Account::unlimited();
        let whole = program.coverage(SPACE, SPACE, &account).unwrap();
        let wanted = Rect::new(x, y, w, h).intersected(&SPACE);
        let part = program.coverage(SPACE, wanted, &account).unwrap();
        prop_assert_eq!(part.rect(), wanted);
        for y in wanted.y0..wanted.y1 {
            for x in wanted.x0..wanted.x1 {
                prop_assert_eq!(part.at(x, y).to_bits(), whole.at(x, y).to_bits(), "{} {}", x, y);
            }
        }
    }

    #[test]
    fn coverage_is_0_to_1_and_0_outside_the_extent(program in arbitrary_program()) {
        let whole = program.coverage(SPACE, SPACE, &Account::unlimited()).unwrap();
        let extent = program.extent(SPACE);
        for y in SPACE.y0..SPACE.y1 {
            for x in SPACE.x0..SPACE.x1 {
                let c = whole.at(x, y);
                prop_assert!((0.0..=1.0).contains(&c), "{c} at {x} {y}");
                prop_assert!(extent.contains(x, y) || c == 0.0, "{c} at {x} {y} outside {extent:?}");
            }
        }
    }

    #[test]
    fn algebra(program in arbitrary_program(), layers in arbitrary_layers()) {
        let with = |steps: &[Step]| {
            let mut all = program.steps.clone();
            all.extend_from_slice(steps);
            run(all, SPACE)
        };
        let plain = with(&[]);
        let all = || vec![layer(Source::All)];
        let values = |steps: &[Step]| with(steps).data().to_vec();
        prop_assert_eq!(&values(&[Step::Within(all())]), plain.data());
        prop_assert_eq!(&values(&[Step::Ramp(0.0, 1.0)]), plain.data());
        let nothing = [Step::Feather(0.0), Step::Dilate(0.0), Step::Erode(0.0)];
        prop_assert_eq!(&values(&nothing), plain.data());
        prop_assert!(with(&[Step::Cut(all())]).data().iter().all(|c| *c == 0.0));
        prop_assert!(with(&[Step::Keep(all())]).data().iter().all(|c| *c == 1.0));
        let twice = with(&[Step::Invert, Step::Invert]);
        for (a, b) in twice.data().iter().zip(plain.data()) {
            prop_assert!((a - b).abs() <= f32::EPSILON);
        }
        // The three operations, written out, against the block alone.
        let block = run(vec![Step::Keep(layers.clone())], SPACE);
        let kept = with(&[Step::Keep(layers.clone())]);
        let within = with(&[Step::Within(layers.clone())]);
        let cut = with(&[Step::Cut(layers)]);
        for k in 0..plain.data().len() {
            let (a, b) = (f64::from(plain.data()[k]), f64::from(block.data()[k]));
            prop_assert!((f64::from(kept.data()[k]) - (a + b - a * b)).abs() < 1e-6);
            prop_assert!((f64::from(within.data()[k]) - a * b).abs() < 1e-6);
            prop_assert!((f64::from(cut.data()[k]) - a * (1.0 - b)).abs() < 1e-6);
        }
    }
}

#[test]
fn cutting_what_was_kept_leaves_nothing_but_a_soft_edge() {
    let shape = || vec![layer(disc(17.0, 20.0, 9.3))];
    let left = run(vec![Step::Keep(shape()), Step::Cut(shape())], SPACE);
    let kept = run(vec![Step::Keep(shape())], SPACE);
    for (a, b) in left.data().iter().zip(kept.data()) {
        assert!((a - b * (1.0 - b)).abs() < 1e-7);
    }
}

#[test]
fn a_layers_own_feather_comes_before_the_union() {
    let soft = Layer {
        source: disc(10.0, 20.0, 6.0),
        feather: 2.0,
    };
    let hard = layer(disc(22.0, 20.0, 6.0));
    let both = run(vec![Step::Keep(vec![soft.clone(), hard.clone()])], SPACE);
    let a = run(
        vec![
            Step::Keep(vec![layer(soft.source.clone())]),
            Step::Feather(2.0),
        ],
        SPACE,
    );
    let b = run(vec![Step::Keep(vec![hard])], SPACE);
    for k in 0..both.data().len() {
        let (a, b) = (a.data()[k], b.data()[k]);
        assert!((both.data()[k] - (a + b - a * b)).abs() < 1e-6);
    }
}

#[test]
fn an_empty_program_covers_nothing() {
    let empty = Program::default();
    assert_eq!(empty.extent(SPACE), Rect::EMPTY);
    assert_eq!(sum(&run(vec![], SPACE)), 0.0);
}

#[test]
fn given_coverage_is_taken_as_it_is_and_ends_at_its_rectangle() {
    let account = Account::unlimited();
    let mut painted = Matte::filled(Rect::new(30, 30, 20, 20), 0.25, &account).unwrap();
    painted.put(31, 32, 0.7);
    let given = layer(Source::Given(std::sync::Arc::new(painted)));
    let program = Program {
        steps: vec![Step::Keep(vec![given])],
    };
    assert_eq!(program.extent(SPACE), Rect::new(30, 30, 11, 7));
    let matte = program.coverage(SPACE, SPACE, &account).unwrap();
    assert_eq!(matte.at(31, 32), 0.7);
    assert_eq!(matte.at(29, 33), 0.0);
    assert_eq!(sum(&matte) as f32, 76.0 * 0.25 + 0.7);
}

#[test]
fn a_small_shape_in_a_large_space_costs_its_box() {
    let account = Account::new(4 << 20);
    let space = Rect::of_size(9000, 6700);
    let program = Program {
        steps: vec![
            Step::Keep(vec![layer(disc(4000.0, 3000.0, 40.0))]),
            Step::Dilate(5.0),
            Step::Feather(3.0),
            Step::Cut(vec![layer(Source::Rect {
                x: 0.0,
                y: 0.0,
                width: 9000.0,
                height: 3000.0,
            })]),
        ],
    };
    let extent = program.extent(space);
    assert!(extent.area() < 130 * 130, "{extent:?}");
    program.coverage(space, extent, &account).unwrap();
    assert!(account.peak() < 2 << 20, "{}", account.peak());
    assert_eq!(account.used(), 0);
}

#[test]
fn what_the_account_refuses_is_an_error() {
    let account = Account::new(1000);
    let program = Program {
        steps: vec![Step::Keep(vec![layer(disc(20.0, 20.0, 15.0))])],
    };
    assert!(program.coverage(SPACE, SPACE, &account).is_err());
    assert_eq!(account.used(), 0);
}
