//! The host's side of the link against a board made of the core's own parts.

use std::io::{self, Read, Write};

use controller_core::link::image::PlainPlant;
use controller_core::link::{
    Captured, FrameReader, FromBoard, ImageHead, MachineTable, PlantKind, Received, SeenPlant,
    ToBoard, Upload, seal,
};
use controller_core::{Config, DetectorConfig, Length, NozzleConfig, PulseLength};
use host_sim::link_host::LinkHost;

/// A board at the other end of a wire that spoils every so many-th byte on its way back.
struct Board {
    reader: FrameReader<512>,
    upload: Upload<2048>,
    out: Vec<u8>,
    sequence: u16,
    spoil_every: usize,
    sent: usize,
    plants: Vec<SeenPlant>,
    table: Option<MachineTable<48, 4>>,
    clock: u64,
}

impl Board {
    fn new(spoil_every: usize) -> Self {
        Self {
            reader: FrameReader::new(),
            upload: Upload::new(),
            out: Vec::new(),
            sequence: 0,
            spoil_every,
            sent: 0,
            plants: Vec::new(),
            table: None,
            clock: 900_000,
        }
    }

    fn say(&mut self, message: &FromBoard) {
        let (mut body, mut line) = ([0; 256], [0; 300]);
        let body = message.write(&mut body).expect("fits");
        let frame = seal(self.sequence, body, &mut line).expect("fits");
        self.sequence = self.sequence.wrapping_add(1);
        self.out.extend_from_slice(frame);
    }

    fn take(&mut self, number: u16, body: &[u8]) {
        let (message, rest) = ToBoard::read(body).expect("the host speaks the same version");
        let result = match message {
            ToBoard::Ping { sent_us } => {
                self.clock += 1000;
                let (received_us, replied_us) = (self.clock, self.clock + 50);
                return self.say(&FromBoard::Pong {
                    sent_us,
                    received_us,
                    replied_us,
                });
            }
            ToBoard::Image(head) => {
                self.plants = head.plants(rest).expect("readable").to_vec();
                return;
            }
            ToBoard::MachineBegin { length, digest } => self.upload.begin(length, digest),
            ToBoard::MachinePiece { offset, bytes } => self.upload.piece(offset, bytes),
            ToBoard::MachineEnd => self.upload.end().map(|bytes| {
                self.table = Some(MachineTable::read(bytes).expect("readable"));
            }),
            _ => Ok(()),
        };
        self.say(&FromBoard::Answer { to: number, result });
    }
}

impl Write for Board {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        for &byte in bytes {
            if let Received::Frame(frame) = self.reader.push(byte) {
                let (number, body) = (frame.sequence, frame.body.to_vec());
                self.take(number, &body);
            }
        }
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Read for Board {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        if self.out.is_empty() {
            return Err(io::ErrorKind::TimedOut.into());
        }
        let count = bytes.len().min(self.out.len()).min(7);
        for (to, from) in bytes.iter_mut().zip(self.out.drain(..count)) {
            self.sent += 1;
            let spoilt = self.spoil_every > 0 && self.sent.is_multiple_of(self.spoil_every);
            *to = if spoilt { from ^ 0x40 } else { from };
        }
        Ok(count)
    }
}

#[test]
fn a_machine_and_an_image_reach_the_board() {
    let nozzles: Vec<_> = (0..24)
        .map(|i| NozzleConfig::evenly_spaced(i, 24, Length::from_mm(500)))
        .collect();
    let detectors = [DetectorConfig::centred(
        Length::from_mm(1200),
        Length::from_mm(6000),
    )];
    let pulse = PulseLength::from_ratio(1_000_000, 130).expect("a usual wheel");
    let config = Config::new(pulse, &nozzles, &detectors);
    let mut link = LinkHost::new(Board::new(0));
    let numbers = link.send_machine(&config).expect("sent");
    assert!(numbers.len() > 4, "several pieces: {numbers:?}");
    for number in numbers {
        let heard = link.receive().expect("the port works").expect("an answer");
        let done = FromBoard::Answer {
            to: number,
            result: Ok(()),
        };
        assert_eq!(heard.message, done);
    }
    let plants = [SeenPlant {
        plain: PlainPlant {
            x_mm: 300,
            y_mm: -1200,
            length_mm: 80,
            width_mm: 60,
        },
        id: Some(9),
        row_us: 1500,
    }];
    let head = ImageHead {
        detector: 0,
        number: 1,
        captured: Captured::Frame(77),
        from_mm: 0,
        to_mm: 800,
        kind: PlantKind::Full,
        plants: 0,
    };
    link.send_image(&head, &plants).expect("sent");
    assert!(link.send_image(&head, &[plants[0]; 65]).is_err());
    assert_eq!(link.receive().expect("the port works"), None);
    let board = link.into_port();
    assert_eq!(board.plants, plants);
    assert_eq!(board.table.expect("stored").config(), config);
}

#[test]
fn the_clock_is_kept_over_a_wire_that_spoils_bytes() {
    // Every 61st byte back is wrong: about every third pong is lost, none is believed.
    let mut link = LinkHost::new(Board::new(61));
    let (mut took, mut now) = (0, 5000);
    for _ in 0..300 {
        link.ping(now).expect("sent");
        // 400 µs there, 50 at the board, 400 back; the board's own clock runs on by 1000.
        while let Some(heard) = link.receive().expect("the port works") {
            assert!(link.take_pong(now + 850, &heard.message));
            took += 1;
        }
        now += 1000;
    }
    let lost = link.counters().lost;
    assert!((150..300).contains(&took), "{took} pongs");
    assert!(lost > 20, "{lost} lost, by their numbers");
    let (board, error) = link.board_time(now).expect("exchanges were made");
    // The board's clock stood at 901,000 + k·1000 when the ping of 5000 + k·1000 came.
    let want = now - 5000 + 901_000 - 400;
    assert!(board.abs_diff(want) <= 2, "{board} for {want}");
    assert!((399..=401).contains(&error), "{error}");
}
