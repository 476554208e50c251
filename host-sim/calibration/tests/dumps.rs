//! Value change dumps against the standard's own, an independent reader and writer, and damage.

use std::io::BufReader;

use calibration::capture::{CaptureError, Extent, Taker, Watch, read};
use proptest::prelude::*;

/// All that was told: time, watch, level or number.
#[derive(Default)]
struct Told {
    tick_s: f64,
    all: Vec<(i64, usize, f64)>,
}

impl Taker for Told {
    fn begin(&mut self, tick_s: f64) {
        self.tick_s = tick_s;
    }
    fn level(&mut self, at: i64, watch: usize, on: bool, _at_start: bool) {
        self.all.push((at, watch, f64::from(u8::from(on))));
    }
    fn number(&mut self, at: i64, watch: usize, value: f64) {
        self.all.push((at, watch, value));
    }
}

fn told(text: &[u8], names: &[&str]) -> Result<(Told, Extent), CaptureError> {
    let watches: Vec<Watch> = names
        .iter()
        .map(|n| Watch::parse(n).expect("a channel"))
        .collect();
    let mut all = Told::default();
    // A tiny buffer: tokens are cut in every place.
    let extent = read(BufReader::with_capacity(7, text), &watches, &mut all)?;
    Ok((all, extent))
}

/// After the example of a four-state dump in IEEE Std 1364-2005, 18.2.4 (the shape of its
/// declarations and value changes, from memory): scopes, a vector with its range, dump commands,
/// several values of x.
const STANDARD: &str = "$date June 26, 1989 10:05:41 $end
$version VERILOG-SIMULATOR 1.0a $end
$timescale 1 ns $end
$scope module top $end
$scope module m1 $end
$var trireg 1 *@ net1 $end
$var trireg 1 *# net2 $end
$var trireg 1 *$ net3 $end
$upscope $end
$scope task t1 $end
$var reg 32 (k accumulator[31:0] $end
$var integer 32 {2 index $end
$upscope $end
$upscope $end
$enddefinitions $end
$comment $dumpvars was executed at time '#500'. All initial values are dumped at this time. $end
#500
$dumpvars
x*@
x*#
x*$
bx (k
bx {2
$end
#505
0*@
1*#
1*$
b10zx1110x11100 (k
b1111000101z01x {2
#510
0*$
#520
1*$
#530
0*$
bz (k
#535
$dumpall 0*@ 1*# 0*$
bz (k
b1111000101z01x {2
$end
#540
1*$
#1000
$dumpoff
x*@ x*# x*$ bx (k bx {2
$end
#2000
$dumpon
z*@ 1*# 0*$
b0 (k
bx {2
$end
#2010
1*$
";

#[test]
fn the_standards_example_is_read() {
    let names = [
        "net1",
        "top.m1.net2",
        "!net3",
        "accumulator[2]",
        "accumulator[31]",
    ];
    let (got, extent) = told(STANDARD.as_bytes(), &names).expect("sound");
    let of = |watch: usize| -> Vec<(i64, f64)> {
        got.all
            .iter()
            .filter(|t| t.1 == watch)
            .map(|t| (t.0, t.2))
            .collect()
    };
    assert_eq!(of(0), [(505, 0.0), (535, 0.0)]);
    assert_eq!(of(1), [(505, 1.0), (535, 1.0), (2000, 1.0)]);
    let net3 = [
        (505, 0.0),
        (510, 1.0),
        (520, 0.0),
        (530, 1.0),
        (535, 1.0),
        (540, 0.0),
        (2000, 1.0),
        (2010, 0.0),
    ];
    assert_eq!(of(2), net3, "on while low");
    // Bit 2 of ...11100 is 1; z fills on the left; then all is z, x, and 0.
    assert_eq!(of(3), [(505, 1.0), (2000, 0.0)]);
    assert_eq!(
        of(4),
        [(505, 0.0), (2000, 0.0)],
        "a vector that begins with 1 is filled with 0"
    );
    assert_eq!(
        (got.tick_s, extent.span, extent.step),
        (1e-9, Some((500, 2010)), 5)
    );
}

#[test]
fn the_demo_recordings_own_dump_kinds_are_read() {
    let dump = "$timescale 10us $end $var real 64 v supply $end $var wire 3 p port [2:0] $end $var wire 1 ! a $end $enddefinitions $end\nr12.5 v b1 p 1!\n#3 b110 p\n#4 r-1e-1 v #7 0!\n";
    let (got, extent) = told(
        dump.as_bytes(),
        &["supply>12", "port[1]", "port[2]", "a", "port>4.5"],
    )
    .expect("sound");
    let wanted = [
        (0, 0, 1.0),
        (0, 1, 0.0),
        (0, 2, 0.0),
        (0, 4, 0.0),
        (0, 3, 1.0),
        (3, 1, 1.0),
        (3, 2, 1.0),
        (3, 4, 1.0),
        (4, 0, 0.0),
        (7, 3, 0.0),
    ];
    assert_eq!(got.all, wanted);
    assert_eq!((extent.tick_s, extent.changes), (1e-5, 10));
}

#[test]
fn damage_is_named_with_its_line() {
    let head = "$timescale 1 us $end\n$var wire 1 ! a $end\n$enddefinitions $end\n";
    let says = |text: String| match told(text.as_bytes(), &["a"]) {
        Err(CaptureError::Refused(r)) => (r.line, format!("{r}")),
        other => panic!("{:?}", other.map(|o| o.1)),
    };
    for (body, line, words) in [
        ("#1 1!\n#x 0!\n", 5, "#x is no time"),
        ("#5 1!\n#4 0!\n", 5, "runs back"),
        ("#1 1?\n", 4, "no $var declares"),
        ("#1\nhello\n", 5, "is no value change"),
        ("#1 b0\n", 5, "within a value"),
        ("#1 r1,5 !\n", 4, "is no number"),
        ("#1234567890123456789 1!\n", 4, "is no time"),
    ] {
        let (at, text) = says(format!("{head}{body}"));
        assert!(
            at == Some(line) && text.contains(words),
            "{body:?}: {at:?} {text}"
        );
    }
    let all = |text: &str| says(text.to_owned()).1;
    assert!(all("$timescale 3 us $end").contains("none of 1, 10 or 100"));
    assert!(all("$timescale 1 us $end $var wire 1").contains("no $end"));
    assert!(all("$timescale 1 us $end #0").contains("before $enddefinitions"));
    assert!(all("$enddefinitions $end").contains("no $timescale"));
    assert!(all("$timescale 1 us $end").contains("ends before"));
    assert!(all(&format!("{}#1 ", head.replace(" a ", " b "))).contains("it has b"));
    assert!(all(&head.replace("wire 1 ! a", "wire 4 ! a")).contains("a[0]"));
    let twice = "$timescale 1 us $end $scope module x $end $var wire 1 ! a $end $upscope $end $var wire 1 ? a $end $enddefinitions $end";
    assert!(all(twice).contains("x.a and a"));
}

/// The same events by crate `vcd`, whose writer and reader are not ours.
fn by_other(text: &[u8]) -> Vec<(i64, usize, f64)> {
    let mut parser = vcd::Parser::new(text);
    let header = parser.parse_header().expect("sound");
    let ids: Vec<vcd::IdCode> = (0..3)
        .map(|k| {
            header
                .find_var(&["m", &format!("w{k}")])
                .expect("there")
                .code
        })
        .collect();
    let mut now = 0;
    let mut all = Vec::new();
    for command in parser {
        match command.expect("sound") {
            vcd::Command::Timestamp(t) => now = t as i64,
            vcd::Command::ChangeScalar(id, value) => {
                let level = match value {
                    vcd::Value::V0 => 0.0,
                    vcd::Value::V1 => 1.0,
                    _ => continue,
                };
                if let Some(k) = ids.iter().position(|i| *i == id) {
                    all.push((now, k, level));
                }
            }
            _ => {}
        }
    }
    all
}

proptest! {
    #[test]
    fn dumps_of_an_independent_writer_are_read_as_its_own_reader_does(
        changes in prop::collection::vec((0u64..40, 0usize..130, 0u8..4), 0..200),
        spread in 1usize..40,
    ) {
        let mut text = Vec::new();
        let mut writer = vcd::Writer::new(&mut text);
        writer.timescale(1, vcd::TimescaleUnit::US).expect("vector");
        writer.add_module("m").expect("vector");
        // So many wires that identifiers of one, two and three signs come up.
        let wires: Vec<vcd::IdCode> = (0..130).map(|k| {
            let id = vcd::IdCode::from((k * spread * 300) as u64);
            writer.var_def(vcd::VarType::Wire, 1, id, &format!("w{k}"), None).expect("vector");
            id
        }).collect();
        writer.upscope().expect("vector");
        writer.enddefinitions().expect("vector");
        let mut now = 0;
        for (gap, wire, value) in changes {
            now += gap;
            writer.timestamp(now).expect("vector");
            let value = [vcd::Value::V0, vcd::Value::V1, vcd::Value::X, vcd::Value::Z][usize::from(value)];
            // Mostly the wires that are looked at.
            writer.change_scalar(wires[wire % 5], value).expect("vector");
        }
        let (got, _) = told(&text, &["w0", "w1", "m.w2"]).expect("sound");
        prop_assert_eq!(got.all, by_other(&text));
    }

    #[test]
    fn no_bytes_make_it_panic(bytes in prop::collection::vec(prop::sample::select(&b"$#01bxr!? \n.end,varscope64-time_s"[..]), 0..300)) {
        for head in ["", "time_s,a\n", "$timescale 1 us $end $var wire 1 ! a $end $enddefinitions $end "] {
            let text = [head.as_bytes(), &bytes].concat();
            let _either = told(&text, &["a"]);
        }
    }
}
