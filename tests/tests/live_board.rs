mod live;
mod qemu;
use controller_core::link::*;
use host_sim::machine::Machine;
use host_sim::run::DEMO_MACHINE;
use live::*;

#[test]
fn probe() {
    for kind in [Kind::M0, Kind::M4] {
        let text = DEMO_MACHINE
            .replace("pulses_per_m = 50", "pulses_per_m = 10")
            .replace("slots_per_turn = 100\n", "");
        let machine = Machine::parse("machine.toml", &text).expect("a sound machine");
        let mut board = LiveBoard::start(kind);
        println!("{:?}", board.welcome());
        board.upload(&machine);
        println!("{:?}", board.welcome());
        board.acknowledge();
        println!("{:?}", board.edges);
        let start = board.step(|_, _| ()).at_us;
        println!("acked at {start}");
        let (mut next, mut image, mut count) = (0, start + 1_000_000, 0);
        let t0 = std::time::Instant::now();
        while board
            .step(|board, look| {
                if look.at_us >= next {
                    board.pulse();
                    next = look.at_us.max(next + 50_000 - 1000) + 0;
                    if next < look.at_us + 10_000 {
                        next = look.at_us + 50_000;
                    }
                }
                if look.at_us >= image {
                    let y = [-1750, -1250, -750, -250, 250, 750, 1250, 1750][count % 8];
                    count += 1;
                    board.image(
                        Captured::At {
                            board_us: look.at_us - 30_000,
                            error_us: 0,
                        },
                        &[y],
                    );
                    image = look.at_us + 100_000;
                }
            })
            .at_us
            < start + 8_000_000
        {}
        println!("took {:?} looks {}", t0.elapsed(), board.looks.len());
        board.run_for(1_000_000);
        let c = board.counters();
        println!("{c:?}");
        let mut late: Vec<_> = board.edges.iter().map(|e| e.late_us).collect();
        late.sort();
        println!("{} edges, late {:?}", board.edges.len(), late);
    }
}
