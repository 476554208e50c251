//! `LINK.md` holds: its example frames are what the code writes and reads, and each body is
//! what a general postcard library makes of the same values.

use controller_core::link::image::{self, PlainPlant};
use controller_core::link::{
    Bench, Captured, Commands, FrameReader, FromBoard, ImageHead, LinkCounters, Motion, PlantKind,
    Received, Refusal, ResetCause, SectionMode, SectionState, SeenPlant, ToBoard, Welcome, machine,
    seal,
};
use controller_core::{
    Action, Command, Config, Counters, DetectorConfig, FanConfig, Length, Micros, ModesConfig,
    NozzleConfig, PulseLength, RateConfig, SectionConfig, Span, Speed, TurningConfig, UnseenPolicy,
    YawSource,
};
use serde::Serialize;

fn hex(bytes: &[u8]) -> String {
    let pairs: Vec<_> = bytes.iter().map(|b| format!("{b:02x}")).collect();
    pairs.join(" ")
}

/// The lines of the page's first block fenced with `kind`, as name and bytes.
fn block(kind: &str) -> Vec<(String, String)> {
    let page = include_str!("../LINK.md");
    let fence = format!("```{kind}\n");
    let start = page.find(&fence).expect("the page has the block") + fence.len();
    let end = start + page[start..].find("```").expect("the block ends");
    let lines = page[start..end].lines().map(|line| {
        let (name, bytes) = line.split_once(':').expect("name: bytes");
        (name.trim().into(), bytes.trim().into())
    });
    lines.collect()
}

const HEAD: ImageHead = ImageHead {
    detector: 0,
    number: 300,
    captured: Captured::At {
        board_us: 12_345_678,
        error_us: 350,
    },
    from_mm: 0,
    to_mm: 800,
    kind: PlantKind::Plain,
    plants: 0,
};

const PLANTS: [SeenPlant; 2] = [
    SeenPlant {
        plain: PlainPlant {
            x_mm: 412,
            y_mm: -730,
            length_mm: 60,
            width_mm: 45,
        },
        id: None,
        row_us: 0,
    },
    SeenPlant {
        plain: PlainPlant {
            x_mm: 650,
            y_mm: 20,
            length_mm: 130,
            width_mm: 150,
        },
        id: Some(517),
        row_us: -4200,
    },
];

fn image_body(kind: PlantKind, captured: Captured) -> Vec<u8> {
    let head = ImageHead {
        kind,
        captured,
        ..HEAD
    };
    let mut out = [0; 200];
    image::write(&head, &PLANTS, &mut out)
        .expect("fits")
        .to_vec()
}

fn to_board() -> Vec<(&'static str, ToBoard<'static>)> {
    vec![
        ("hello", ToBoard::Hello),
        (
            "strobe",
            ToBoard::Strobe {
                detector: 1,
                frame: 70_000,
            },
        ),
        ("ping", ToBoard::Ping { sent_us: 5_000_000 }),
        (
            "mode",
            ToBoard::Mode {
                section: 2,
                mode: SectionMode::Broadcast,
            },
        ),
        (
            "keep-off",
            ToBoard::KeepOff {
                first: 4,
                count: 8,
                at_us: 12_345_678,
                from_mm: -500,
                to_mm: 2500,
            },
        ),
        (
            "click",
            ToBoard::Bench {
                token: 99,
                request: Bench::Click {
                    nozzle: 3,
                    on_us: 40_000,
                },
            },
        ),
        (
            "prime",
            ToBoard::Bench {
                token: 99,
                request: Bench::Prime { on_us: 2_000_000 },
            },
        ),
        (
            "flush",
            ToBoard::Bench {
                token: 99,
                request: Bench::Flush { on_us: 1_500_000 },
            },
        ),
        (
            "rinse",
            ToBoard::Bench {
                token: 99,
                request: Bench::Rinse {
                    on_us: 500_000,
                    off_us: 250_000,
                    times: 3,
                },
            },
        ),
        (
            "hold",
            ToBoard::Bench {
                token: 99,
                request: Bench::Hold,
            },
        ),
        (
            "machine-begin",
            ToBoard::MachineBegin {
                length: 900,
                digest: 0xCBF4_3926,
            },
        ),
        (
            "machine-piece",
            ToBoard::MachinePiece {
                offset: 128,
                bytes: &[1, 0, 255],
            },
        ),
        ("machine-end", ToBoard::MachineEnd),
        ("acknowledge", ToBoard::Acknowledge),
        ("emergency-stop", ToBoard::EmergencyStop),
        ("read-counters", ToBoard::ReadCounters),
        ("pulse", ToBoard::Pulse { at_us: 12_345_678 }),
        ("until", ToBoard::Until { at_us: 12_350_000 }),
        ("direction", ToBoard::Direction { reverse: true }),
        ("supply", ToBoard::Supply { ok: false }),
        (
            "switches",
            ToBoard::Switches {
                spot: 0b1010_0101,
                broadcast: 1 << 63,
            },
        ),
        (
            "nozzle-fault",
            ToBoard::NozzleFault {
                nozzle: 130,
                faulty: true,
            },
        ),
        ("report", ToBoard::Report { every_ms: 200 }),
        ("yaw-rate", ToBoard::YawRate { urad_s: -61_087 }),
        ("second-pulse", ToBoard::SecondPulse { at_us: 12_345_700 }),
        ("pressure", ToBoard::Pressure { kpa: 280 }),
    ]
}

fn from_board() -> Vec<(&'static str, FromBoard)> {
    let mut commands = Commands::default();
    for (nozzle, action, at, done) in [
        (3, Action::Open, 12_400_000, 12_400_012),
        (2, Action::Close, 12_399_500, 12_399_500),
    ] {
        let command = Command {
            nozzle,
            action,
            at: Micros(at),
            short_by: Length::default(),
        };
        assert!(commands.push(&command, Micros(done)));
    }
    vec![
        (
            "welcome",
            FromBoard::Welcome(Welcome {
                machine_version: 1,
                machine_digest: Some(0xCBF4_3926),
                nozzles: 96,
                detectors: 8,
                plants: 64,
                frame_bytes: 1280,
                waits_for_acknowledge: true,
                told_time: false,
                reset: ResetCause::Watchdog,
            }),
        ),
        (
            "pong",
            FromBoard::Pong {
                sent_us: 5_000_000,
                received_us: 12_000_000,
                replied_us: 12_000_180,
            },
        ),
        (
            "done",
            FromBoard::Answer {
                to: 7,
                result: Ok(()),
            },
        ),
        (
            "refused",
            FromBoard::Answer {
                to: 7,
                result: Err(Refusal::StampUncertain),
            },
        ),
        (
            "motion",
            FromBoard::Motion(Motion {
                at_us: 12_345_678,
                speed_mm_s: 4870,
                distance_mm: 1_234_567,
                guard: 3,
                open: 5,
                faults: 1 << 16,
            }),
        ),
        ("commands", FromBoard::Commands(commands)),
        (
            "section",
            FromBoard::Section(SectionState {
                section: 1,
                mode: SectionMode::Spot,
                first: 24,
                count: 24,
                open: 2,
                faulty: 1,
                on_ms: 90_000,
            }),
        ),
    ]
}

/// Every example of the page, by name.
fn bodies() -> Vec<(&'static str, Vec<u8>)> {
    let mut out = [0; 200];
    let mut all = vec![
        ("image", image_body(PlantKind::Plain, HEAD.captured)),
        (
            "image-full",
            image_body(PlantKind::Full, Captured::Frame(70_000)),
        ),
    ];
    for (name, message) in to_board() {
        all.push((name, message.write(&mut out).expect("fits").to_vec()));
    }
    for (name, message) in from_board() {
        all.push((name, message.write(&mut out).expect("fits").to_vec()));
    }
    all
}

#[test]
fn the_page_shows_what_the_code_writes() {
    let want: Vec<_> = bodies()
        .into_iter()
        .map(|(name, body)| (name.to_string(), hex(&body)))
        .collect();
    let shown: Vec<_> = want.iter().map(|(n, b)| format!("{n}: {b}")).collect();
    assert_eq!(
        block("bodies"),
        want,
        "the wire format changed: raise VERSION and put this into LINK.md\n{}",
        shown.join("\n")
    );
    let mut out = [0; 200];
    let body = image_body(PlantKind::Plain, HEAD.captured);
    let frame = seal(513, &body, &mut out).expect("fits");
    assert_eq!(block("frame"), [("frame".into(), hex(frame))]);
    let mut reader: FrameReader<64> = FrameReader::new();
    let mut read = 0;
    for &byte in frame {
        if let Received::Frame(frame) = reader.push(byte) {
            assert_eq!((frame.sequence, frame.body), (513, body.as_slice()));
            read += 1;
        }
    }
    assert_eq!(read, 1);
}

#[test]
fn every_message_comes_back_and_leftovers_are_refused() {
    let mut out = [0; 200];
    for (name, message) in to_board() {
        let body = message.write(&mut out).expect("fits").to_vec();
        assert_eq!(ToBoard::read(&body), Ok((message, &[][..])), "{name}");
        let theirs = postcard::to_allocvec(&message).expect("serialises");
        assert_eq!(hex(&body), hex(&theirs), "{name}");
        let longer = [&body[..], &[0]].concat();
        assert_eq!(ToBoard::read(&longer), Err(Refusal::Unreadable), "{name}");
        for cut in 0..body.len() {
            assert_eq!(ToBoard::read(&body[..cut]), Err(Refusal::Unreadable));
        }
    }
    for (name, message) in from_board() {
        let body = message.write(&mut out).expect("fits").to_vec();
        assert_eq!(FromBoard::read(&body).as_ref(), Ok(&message), "{name}");
        let theirs = postcard::to_allocvec(&message).expect("serialises");
        assert_eq!(hex(&body), hex(&theirs), "{name}");
        let longer = [&body[..], &[0]].concat();
        assert_eq!(FromBoard::read(&longer), Err(Refusal::Unreadable));
    }
    let counters = FromBoard::Counters {
        core: Counters {
            pulses: u32::MAX,
            unseen_mm2: u64::MAX,
            commands: 5,
            ..Counters::default()
        },
        link: LinkCounters {
            lost: 77,
            ..LinkCounters::default()
        },
    };
    let body = counters.write(&mut out).expect("fits").to_vec();
    let theirs = postcard::to_allocvec(&counters).expect("serialises");
    assert_eq!(hex(&body), hex(&theirs));
    assert_eq!(FromBoard::read(&body), Ok(counters));
}

/// The image as anyone else would write it: one value with a list in it.
#[derive(Serialize)]
enum Plants {
    Plain(Vec<PlainPlant>),
    Full(Vec<SeenPlant>),
}

#[derive(Serialize)]
struct WholeImage {
    tag: u8,
    detector: u8,
    number: u16,
    captured: Captured,
    from_mm: i16,
    to_mm: i16,
    plants: Plants,
}

#[test]
fn an_image_is_what_postcard_makes_of_head_and_list() {
    for kind in [PlantKind::Plain, PlantKind::Full] {
        let plants = match kind {
            PlantKind::Plain => Plants::Plain(PLANTS.iter().map(|p| p.plain).collect()),
            PlantKind::Full => Plants::Full(PLANTS.to_vec()),
        };
        let whole = WholeImage {
            tag: 1,
            detector: HEAD.detector,
            number: HEAD.number,
            captured: HEAD.captured,
            from_mm: HEAD.from_mm,
            to_mm: HEAD.to_mm,
            plants,
        };
        let theirs = postcard::to_allocvec(&whole).expect("serialises");
        let ours = image_body(kind, HEAD.captured);
        assert_eq!(hex(&ours), hex(&theirs));
        let (message, rest) = ToBoard::read(&ours).expect("readable");
        let ToBoard::Image(head) = message else {
            panic!("{message:?} is no image")
        };
        let plants = head.plants(rest).expect("readable");
        match kind {
            PlantKind::Full => assert_eq!(plants, PLANTS),
            PlantKind::Plain => {
                let places = plants.iter().map(|p| p.plain);
                assert!(places.eq(PLANTS.iter().map(|p| p.plain)));
            }
        }
        for cut in 0..rest.len() {
            assert_eq!(head.plants(&rest[..cut]), Err(Refusal::Unreadable));
        }
        let longer = [rest, &[0]].concat();
        assert_eq!(head.plants(&longer), Err(Refusal::Unreadable));
    }
}

#[test]
fn images_are_held_to_their_bounds() {
    let many = [SeenPlant::default(); 65];
    let mut out = [0; 1200];
    assert_eq!(image::write(&HEAD, &many, &mut out), None);
    let mut body = image::write(&HEAD, &many[..64], &mut out)
        .expect("fits")
        .to_vec();
    let (ToBoard::Image(head), rest) = ToBoard::read(&body).expect("readable") else {
        panic!("no image")
    };
    assert_eq!(head.plants(rest).expect("readable").len(), 64);
    let count = body.len() - 4 * 64 - 1;
    body[count] = 65;
    body.extend([0; 4]);
    let (ToBoard::Image(head), rest) = ToBoard::read(&body).expect("readable") else {
        panic!("no image")
    };
    assert_eq!(head.plants(rest), Err(Refusal::TooManyPlants));
    // A full image with everything as long as it gets fits into the largest frame.
    let longest = SeenPlant {
        plain: PlainPlant {
            x_mm: i16::MIN,
            y_mm: i16::MIN,
            length_mm: u16::MAX,
            width_mm: u16::MAX,
        },
        id: Some(u16::MAX),
        row_us: -40_000,
    };
    let full = ImageHead {
        kind: PlantKind::Full,
        captured: Captured::At {
            board_us: u64::MAX,
            error_us: u16::MAX,
        },
        ..HEAD
    };
    let mut out = [0; controller_core::link::MAX_FRAME - 7];
    assert!(image::write(&full, &[longest; 64], &mut out).is_some());
}

#[test]
fn uncertain_stamps_are_refused_and_rows_are_put_back() {
    assert_eq!(HEAD.stamp(350), Ok(Some(Micros(12_345_678))));
    assert_eq!(HEAD.stamp(349), Err(Refusal::StampUncertain));
    let strobed = ImageHead {
        captured: Captured::Frame(3),
        ..HEAD
    };
    assert_eq!(strobed.stamp(0), Ok(None));
    // 4.2 ms early at 5 m/s: 21 mm nearer than at the stamp.
    let plant = PLANTS[1].plant(Speed::from_mm_s(5000));
    assert_eq!(plant.x, Length::from_mm(650 - 21));
    assert_eq!(plant.width, Length::from_mm(150));
}

#[test]
fn a_machine_survives_the_bytes_and_its_encoding_is_pinned() {
    let nozzles: Vec<_> = (0..48)
        .map(|i| NozzleConfig::evenly_spaced(i, 48, Length::from_mm(500)))
        .collect();
    let detectors = [
        DetectorConfig::centred(Length::from_mm(1200), Length::from_mm(6000)),
        DetectorConfig::default(),
    ];
    let pulse = PulseLength::from_ratio(1_000_000, 130).expect("a usual wheel");
    let half = |first| SectionConfig { first, count: 24 };
    let config = Config {
        fan: Some(FanConfig {
            half_width: Length::from_mm(714),
            flat_half: Length::default(),
            spacing: Length::from_mm(500),
            wanted_share: 9_000,
        }),
        sections: &[half(0), half(24)],
        modes: ModesConfig {
            unseen: UnseenPolicy::Spray,
            acknowledge_at_start: true,
            ..ModesConfig::default()
        },
        faulty: &[7, 40],
        rate: Some(RateConfig {
            rate_ml_ha: 100_000,
            width: Length::from_mm(500),
            flow_ml_min: 1200,
            pressure_kpa: 300,
            cycle: Span(100_000),
            lowest: 400,
            refuse_short: false,
        }),
        flows_ml_min: &[1200; 48],
        turning: Some(TurningConfig {
            source: YawSource::SecondWheel {
                pulse_length: PulseLength::from_ratio(1_000_000, 129).expect("a usual wheel"),
                y: Length::from_mm(-900),
            },
            wheel_y: Length::from_mm(900),
            ..TurningConfig::yaw_rate(Length::from_mm(2500))
        }),
        ..Config::new(pulse, &nozzles, &detectors)
    };
    let mut out = [0; 1500];
    let bytes = machine::write(&config, &mut out).expect("fits").to_vec();
    println!("48 nozzles: {} bytes", bytes.len());
    assert_eq!(
        (bytes.len(), machine::digest(&bytes)),
        (MACHINE_BYTES, MACHINE_DIGEST),
        "the encoding changed: raise MACHINE_VERSION, then put the new numbers here"
    );
    type Table = controller_core::link::MachineTable<48, 2>;
    let table = Table::read(&bytes).expect("readable");
    assert_eq!(table.config(), config);
    assert_eq!(table.validate(), Ok(()));
    for cut in 0..bytes.len() {
        assert!(Table::read(&bytes[..cut]).is_err(), "{cut}");
    }
    assert!(Table::read(&[&bytes[..], &[0]].concat()).is_err());
    assert!(controller_core::link::MachineTable::<47, 2>::read(&bytes).is_err());
    let mut newer = bytes.clone();
    newer[0] += 1;
    assert_eq!(
        Table::read(&newer),
        Err(controller_core::link::MachineError::Version(3))
    );
    for room in [0, 1, 20, bytes.len() - 1] {
        assert_eq!(machine::write(&config, &mut out[..room]), None);
    }
}

#[test]
fn how_a_machine_turns_survives_the_bytes() {
    let pulse = PulseLength::from_ratio(1_000_000, 130).expect("a usual wheel");
    let nozzles = [NozzleConfig::evenly_spaced(0, 1, Length::from_mm(500))];
    let detectors = [DetectorConfig::centred(
        Length::from_mm(1200),
        Length::from_mm(6000),
    )];
    let straight = Config::new(pulse, &nozzles, &detectors);
    let turning = Config {
        turning: Some(TurningConfig::yaw_rate(Length::from_mm(-2500))),
        ..straight
    };
    type Table = controller_core::link::MachineTable<1, 1>;
    let mut out = [0; 300];
    let without = machine::write(&straight, &mut out).expect("fits").to_vec();
    let mut bytes = machine::write(&turning, &mut out).expect("fits").to_vec();
    assert_ne!(machine::digest(&bytes), machine::digest(&without));
    assert_eq!(Table::read(&without).expect("readable").config(), straight);
    let table = Table::read(&bytes).expect("readable");
    assert_eq!(table.config(), turning);
    // Each way of turning that can't be is refused, not driven straight.
    let from = without.len();
    assert_eq!(bytes[from - 1], 1, "what follows is a way of turning");
    let source = bytes.len() - 6;
    assert_eq!(bytes[source], 0, "the source is a yaw rate");
    bytes[source] = 2;
    assert!(Table::read(&bytes).is_err());
    bytes[source] = 0;
    bytes[from - 1] = 2;
    assert!(Table::read(&bytes).is_err());
}

const MACHINE_BYTES: usize = 894;
const MACHINE_DIGEST: u32 = 243_089_943;
