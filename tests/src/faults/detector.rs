//! Faults of detectors and of what they say.

use super::story::{Base, Item, Story};
use super::{Bound, Row};
use controller_core::link::{
    Captured, FrameReader, ImageHead, MAX_FRAME, MAX_ON_LINE, PlantKind, Received, SeenPlant,
    image, seal,
};
use host_sim::recording::{Image, Input};
use rand::RngExt;

/// From when on a fault holds that comes in the middle of the drive, µs.
const MIDDLE: u64 = 30_000_000;

pub(super) fn images(story: &mut Story) -> impl Iterator<Item = &mut Item> {
    story.items.iter_mut().filter(|item| item.sights_known())
}

pub(super) fn lose(story: &mut Story, mut lost: impl FnMut(u64, &mut Story) -> bool) {
    let items = std::mem::take(&mut story.items);
    let kept = items
        .into_iter()
        .filter(|item| !(item.sights_known() && lost(item.t_us, story)));
    story.items = kept.collect::<Vec<_>>();
}

/// Lets images come later by so much.
fn delay(story: &mut Story, by_us: u64) {
    images(story).for_each(|item| item.t_us += by_us);
}

/// Sends every image as a frame over a line that damages one in `of`; what the reader refuses
/// is lost. How many were, and how many of the damaged ones came through.
fn over_noisy_line(story: &mut Story, of: u32) -> (usize, usize) {
    let mut reader: FrameReader<MAX_FRAME> = FrameReader::new();
    let (mut damaged, mut wrong) = (0, 0);
    let mut number = 0_u16;
    lose(story, |_, story| {
        number = number.wrapping_add(1);
        let hit = story.dice.random_range(0..of) == 0;
        let mut line = frame(number);
        if hit {
            damaged += 1;
            for _ in 0..story.dice.random_range(1..6) {
                let byte = story.dice.random_range(1..line.len() - 1);
                line[byte] ^= 1 << story.dice.random_range(0..8);
            }
        }
        let mut heard = false;
        for byte in line {
            if let Received::Frame(frame) = reader.push(byte) {
                heard |= frame.sequence == number;
            }
        }
        wrong += usize::from(hit && heard);
        !heard
    });
    (damaged, wrong)
}

/// A frame as long as a usual image's.
fn frame(number: u16) -> Vec<u8> {
    let plant = SeenPlant::default();
    let head = ImageHead {
        detector: 0,
        number,
        captured: Captured::At {
            board_us: u64::from(number) * 50_000,
            error_us: 100,
        },
        from_mm: 0,
        to_mm: 800,
        kind: PlantKind::Plain,
        plants: 3,
    };
    let (mut body, mut line) = ([0; MAX_FRAME], [0; MAX_ON_LINE]);
    let body = image::write(&head, &[plant; 3], &mut body).expect("fits");
    seal(number, body, &mut line).expect("fits").to_vec()
}

fn image_of(item: &mut Item) -> &mut Image {
    item.image().expect("an image")
}

pub(super) fn rows() -> Vec<Row> {
    vec![
        Row {
            name: "detector: silent from the middle on",
            base: Base::Lanes,
            fault: |story| lose(story, |t, _| t >= MIDDLE),
            guard: "unseen ground is known and counted",
            bound: Bound {
                lost: 79.0,
                sprayed: (0.27, 0.3),
                counted: &[
                    ("unseen_mm2", |c| c.unseen_mm2),
                    ("detector_silences", |c| c.detector_silences.into()),
                ],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "detector: silent from the middle on, unseen ground to be sprayed",
            base: Base::SpraysUnseen,
            fault: |story| lose(story, |t, _| t >= MIDDLE),
            guard: "ground that no image covers is sprayed",
            bound: Bound {
                sprayed: (10.85, 11.53),
                counted: &[("unseen_mm2", |c| c.unseen_mm2)],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "detector: three images in ten missing",
            base: Base::Lanes,
            // The view is 0.8 m, four images long at 4 m/s.
            fault: |story| lose(story, |_, story| story.dice.random_range(0..10) < 3),
            guard: "each image speaks for itself",
            bound: Bound {
                lost: 1.0,
                sprayed: (0.96, 1.005),
                start_mm: 12.0,
                counted: &[("unseen_mm2", |c| c.unseen_mm2)],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "detector: its clock stands still",
            base: Base::Lanes,
            fault: |story| {
                images(story)
                    .filter(|item| item.t_us >= MIDDLE)
                    .for_each(|item| image_of(item).captured_us = MIDDLE - 80_000);
            },
            guard: "an image older than the machine file allows is refused",
            bound: Bound {
                lost: 79.0,
                sprayed: (0.29, 0.31),
                // Until then plants are put where the clock stood.
                start_mm: 631.0,
                counted: &[("images_refused", |c| c.images_refused.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "detector: its clock ahead by 0.3 s",
            base: Base::Lanes,
            fault: |story| images(story).for_each(|item| image_of(item).captured_us += 300_000),
            guard: "an image captured in the future is refused",
            bound: Bound {
                lost: 100.0,
                sprayed: (0.0, 0.01),
                start_mm: 12.0,
                counted: &[("images_refused", |c| c.images_refused.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "detector: its clock drifts behind by 200 parts in a million",
            base: Base::Lanes,
            fault: |story| {
                for item in images(story) {
                    let drift = item.t_us / 5000;
                    let image = image_of(item);
                    image.captured_us = image.captured_us.saturating_sub(drift);
                }
            },
            guard: "a capture time is believed: 1 ms of it is 5 mm at 5 m/s",
            bound: Bound {
                // 19 ms at the end, at 4 m/s.
                start_mm: 84.0,
                lost: 0.5,
                sprayed: (0.97, 1.04),
                unknowable: Some("only a strobe or clock exchange can tell a wrong clock"),
                ..Bound::NOTHING
            },
        },
        Row {
            name: "detector: images 0.9 s late",
            base: Base::Lanes,
            fault: |story| delay(story, 900_000),
            guard: "an image older than the machine file allows is refused",
            bound: Bound {
                lost: 100.0,
                sprayed: (0.0, 0.01),
                start_mm: 12.0,
                counted: &[("images_refused", |c| c.images_refused.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "detector: images 0.35 s late",
            base: Base::Lanes,
            fault: |story| delay(story, 350_000),
            guard: "what can't be reached any more is opened at once, or counted",
            bound: Bound {
                lost: 64.5,
                sprayed: (0.52, 0.56),
                start_mm: 366.0,
                counted: &[
                    ("late or missed_late", |c| (c.late + c.missed_late).into()),
                    ("late_mm", |c| c.late_mm),
                ],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "detector: every image twice",
            base: Base::Lanes,
            fault: |story| {
                let again: Vec<Item> = images(story).map(|item| item.clone()).collect();
                story.items.extend(again.into_iter().map(|mut item| {
                    item.t_us += 20_000;
                    item
                }));
            },
            guard: "a plant seen again joins its patch",
            bound: Bound {
                counted: &[("patches_merged", |c| c.patches_merged.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "detector: images out of order",
            base: Base::Lanes,
            fault: |story| {
                let mut n = 0;
                for item in images(story) {
                    n += 1;
                    // Every third waits for the one behind it.
                    item.t_us += if n % 3 == 0 { 70_000 } else { 0 };
                }
            },
            guard: "a plant lies where it was at its capture, whenever it is told",
            bound: Bound::NOTHING,
        },
        Row {
            name: "detector: one in twenty images shows a plant of 90 m",
            base: Base::Lanes,
            fault: |story| {
                let mut n = 0;
                for item in images(story) {
                    n += 1;
                    if n % 20 == 0 {
                        let image = image_of(item);
                        image.plants.push(host_sim::recording::SeenPlant {
                            x_m: 0.4,
                            y_m: 0.0,
                            length_m: 90.0,
                            width_m: 0.1,
                            id: None,
                        });
                        item.sights.push(0);
                    }
                }
            },
            guard: "an image that can't be is refused as a whole",
            bound: Bound {
                lost: 0.5,
                sprayed: (0.97, 1.01),
                start_mm: 12.0,
                counted: &[("images_refused", |c| c.images_refused.into())],
                ..Bound::NOTHING
            },
        },
        Row {
            name: "link: one frame in ten damaged",
            base: Base::Lanes,
            fault: |story| {
                let (damaged, wrong) = over_noisy_line(story, 10);
                assert!(
                    damaged > 50 && wrong == 0,
                    "{damaged} damaged, {wrong} came through"
                );
            },
            guard: "a frame whose CRC does not fit is dropped, and the next one read",
            bound: Bound {
                lost: 0.5,
                sprayed: (0.97, 1.005),
                start_mm: 12.0,
                counted: &[("unseen_mm2", |c| c.unseen_mm2)],
                ..Bound::NOTHING
            },
        },
    ]
}

impl Item {
    /// Whether it is an image.
    fn sights_known(&self) -> bool {
        use super::story::Happening::Told;
        matches!(self.what, Told(Input::Image(_)))
    }
}
