//! A million damaged frames: none is taken for good, and the next good one is always read.
//!
//! CRC-32 lets a damaged frame pass once in 2³², so a million frames do with probability
//! 0.0002; with these seeds none does.

use controller_core::link::{FrameReader, MAX_FRAME, MAX_ON_LINE, Received, seal};
use rand::{Rng, RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// What is done to a frame.
#[derive(Clone, Copy, Debug)]
enum Damage {
    /// Bytes that never were a frame.
    Noise,
    /// Bytes within the frame replaced by noise.
    Burst,
    /// Single bits turned over.
    Flips,
    /// Bytes gone.
    Lost,
    /// Bytes too many.
    Extra,
    /// The rest never came.
    Cut,
}

const KINDS: [Damage; 6] = [
    Damage::Noise,
    Damage::Burst,
    Damage::Flips,
    Damage::Lost,
    Damage::Extra,
    Damage::Cut,
];

fn damage(random: &mut Pcg64Mcg, kind: Damage, line: &mut Vec<u8>) {
    let len = line.len();
    let at = random.random_range(0..len);
    let many = random.random_range(1..=(len - at).min(12));
    match kind {
        Damage::Noise => {
            line.clear();
            line.resize(random.random_range(0..80), 0);
            random.fill_bytes(line);
        }
        Damage::Burst => random.fill_bytes(&mut line[at..at + many]),
        Damage::Flips => {
            for _ in 0..many {
                let bit = random.random_range(0..len * 8);
                line[bit / 8] ^= 1 << (bit % 8);
            }
        }
        Damage::Lost => drop(line.drain(at..at + many)),
        Damage::Extra => {
            let mut extra = vec![0; many];
            random.fill_bytes(&mut extra);
            line.splice(at..at, extra);
        }
        Damage::Cut => line.truncate(at),
    }
}

/// Feeds bytes and returns the bodies of the good frames with their numbers.
fn feed<const N: usize>(reader: &mut FrameReader<N>, line: &[u8]) -> Vec<(u16, Vec<u8>)> {
    let mut good = Vec::new();
    for &byte in line {
        if let Received::Frame(frame) = reader.push(byte) {
            good.push((frame.sequence, frame.body.to_vec()));
        }
    }
    good
}

#[test]
fn a_million_damaged_frames_are_refused_and_the_next_good_one_is_read() {
    let mut random = Pcg64Mcg::seed_from_u64(20_261_125);
    // Short, so that frames run into its end as well.
    let mut reader: FrameReader<60> = FrameReader::new();
    let mut out = [0; MAX_ON_LINE];
    let (mut whole, mut refused) = (0_u32, 0_u32);
    // Frames since the line was last clear.
    let mut sent = Vec::new();
    for round in 0..1_000_000_u32 {
        let mut body = vec![0; random.random_range(0..48)];
        random.fill_bytes(&mut body);
        let sequence = random.random();
        let mut line = seal(sequence, &body, &mut out).expect("fits").to_vec();
        let kind = KINDS[random.random_range(0..KINDS.len())];
        damage(&mut random, kind, &mut line);
        let mut good = feed(&mut reader, &line);
        let follows = round % 4 == 0;
        let next = (sequence ^ 0x5555, b"the next good frame".to_vec());
        if follows {
            good.extend(feed(
                &mut reader,
                seal(next.0, &next.1, &mut out).expect("fits"),
            ));
            assert_eq!(
                good.pop(),
                Some(next),
                "round {round}, {kind:?}: {line:02x?}"
            );
        }
        // Damage can leave the frame whole: a byte replaced by itself, a closing zero lost
        // that the next frame brings. Then, and only then, its very body comes out.
        if good.is_empty() {
            refused += 1;
        }
        sent.push((sequence, body));
        for frame in good {
            assert!(
                sent.contains(&frame),
                "round {round}, {kind:?}: {frame:02x?} of {line:02x?}"
            );
            whole += 1;
        }
        if follows {
            sent.clear();
        }
    }
    println!("damaged frames: {refused} refused, {whole} left whole by chance, 0 taken wrongly");
    println!("{:?}", reader.counters());
    assert!(refused > 900_000, "{refused}");
    let c = reader.counters();
    for (count, name) in [
        (c.bad_crc, "crc"),
        (c.bad_cobs, "cobs"),
        (c.bad_length, "length"),
    ] {
        assert!(count > 10_000, "{name} fired {count} times only");
    }
}

#[test]
fn the_largest_frame_goes_through() {
    let mut out = [0; MAX_ON_LINE];
    let mut reader: FrameReader<MAX_FRAME> = FrameReader::new();
    for byte in [0, 1, 255] {
        let body = vec![byte; MAX_FRAME - 7];
        let line = seal(3, &body, &mut out).expect("fits");
        assert_eq!(feed(&mut reader, line), [(3, body)]);
    }
}
