//! The lab in a real browser, headless: served and from disk, by mouse and by address, with wrong
//! files and foreign callers. `scripts/browser` brings the browser and writes the page for the disk.

mod access;
mod browser;
mod http;
mod manners;
mod report;

use std::path::Path;
use std::sync::OnceLock;
use std::thread;

use browser::Browser;
use host_sim::lab::serve::Server;
use host_sim::lab::values::TABLE;
use http::Proxy;
use serde_json::{Value, json};

/// A lab that listens as long as the test program runs: its port.
pub fn served() -> u16 {
    static PORT: OnceLock<u16> = OnceLock::new();
    *PORT.get_or_init(|| {
        let server = Server::bind(0).expect("a free port");
        let address = server.address();
        thread::spawn(|| server.run());
        let port = address
            .trim_end_matches('/')
            .rsplit(':')
            .next()
            .expect("a port");
        port.parse().expect("a number")
    })
}

fn open(browser: &Browser, address: &str) {
    browser.go(address);
    browser.until("document.body.dataset.ready === 'yes'");
}

/// The page that computes by itself.
fn from_disk() -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../target/lab/lab.html");
    let path = Path::new(path)
        .canonicalize()
        .unwrap_or_else(|e| panic!("{path}: {e}; run scripts/browser, or scripts/test once"));
    format!("file://{}", path.display())
}

fn served_at(hash: &str) -> String {
    format!("http://127.0.0.1:{}/{hash}", served())
}

/// What the kernel says here.
fn here(request: &Value) -> Value {
    serde_json::from_str(&host_sim::lab::answer(&request.to_string())).expect("JSON")
}

/// On a phone and on a desk, light and dark: nothing stands out to the side, and text stands out
/// from its ground (WCAG 2.2, criteria 1.4.3 and 1.4.10). Pictures for people go to
/// `target/lab/pictures`.
#[test]
fn it_is_readable_on_a_phone_and_in_the_dark() {
    let folder = Path::new(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../target/lab/pictures"
    ));
    std::fs::create_dir_all(folder).expect("a folder");
    let browser = Browser::start((1280, 900), &[]);
    for (name, width, scheme) in [
        ("desktop", 1280, "light"),
        ("desktop-dark", 1280, "dark"),
        ("phone", 360, "light"),
        ("phone-dark", 360, "dark"),
    ] {
        browser.show_as(width, "", &[("color-scheme", scheme)]);
        browser.go("about:blank");
        open(&browser, &served_at("#clock_error_ms=5&lead_mm=20"));
        browser.until("lab.settled > 0");
        browser.click("[data-lesson=buffers]");
        browser.until("lab.settled > 1");
        browser.picture(&folder.join(format!("{name}.png")));
        let wide = browser.js("return document.documentElement.scrollWidth");
        assert_eq!(wide, json!(width), "{name}");
        let faint = browser.js(FAINT);
        assert_eq!(faint, json!([]), "{name}");
    }
}

/// Texts whose contrast to the panel under them is below 4.5.
const FAINT: &str = "
    const parts = (c) => c.match(/[\\d.]+/g).slice(0, 3).map((v) => v / 255).map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    const light = (c) => { const [r, g, b] = parts(c); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
    const ground = (e) => { for (let at = e; at; at = at.parentElement) { const c = getComputedStyle(at).backgroundColor; if (!c.endsWith(', 0)')) return c; } return 'rgb(255, 255, 255)'; };
    const found = [];
    for (const e of document.querySelectorAll('p, h1, h2, h3, label, td, th, button, summary, li, figcaption, svg text')) {
        if (!e.textContent.trim() || !e.getClientRects().length) continue;
        const style = getComputedStyle(e);
        const pair = [light(e instanceof SVGElement ? style.fill : style.color), light(ground(e))];
        const ratio = (Math.max(...pair) + 0.05) / (Math.min(...pair) + 0.05);
        if (ratio < 4.5) found.push(`${ratio.toFixed(2)}: ${e.tagName} ${e.textContent.slice(0, 30)}`);
    }
    return [...new Set(found)];";

#[test]
fn it_loads_and_a_dragged_slider_changes_the_picture() {
    let browser = Browser::start((1280, 900), &[]);
    open(&browser, &served_at(""));
    let way = || browser.js("return document.querySelector('#way svg').outerHTML");
    let before = way();
    let lead = || browser.js("return document.querySelector('#n-lead_mm').value");
    assert_eq!(lead(), json!("60"));
    // The middle is 125 mm.
    browser.drag("#r-lead_mm", -70, 100);
    browser.until("Number(document.querySelector('#n-lead_mm').value) > 100");
    browser.until("lab.drawn > 1");
    browser.until("!document.body.classList.contains('working')");
    assert_ne!(way(), before, "the picture follows");
    let told = browser.js("return lab.backend.ask({do: 'drive', values: lab.values.now()})");
    let shown = browser.js("return document.querySelector('#verdict').textContent");
    let full = told["figures"]["core"]["full"].to_string();
    assert!(
        shown.as_str().is_some_and(|s| s.starts_with(&full)),
        "{shown} {full}"
    );
    // The keyboard moves it too.
    let at = lead();
    browser.keys("#r-lead_mm", "\u{E014}");
    browser.until(&format!(
        "document.querySelector('#n-lead_mm').value !== {at}"
    ));
    // Every picture has words.
    browser.until("lab.settled > 0");
    let pictures = browser.js("return [...document.querySelectorAll('svg, canvas')].filter((e) => !(e.getAttribute('aria-label') ?? '').trim()).map((e) => e.parentElement.id)");
    assert_eq!(pictures, json!([]));
    assert!(
        browser
            .js("return document.querySelectorAll('#way-steps li').length")
            .as_u64()
            >= Some(8)
    );
}

#[test]
fn a_link_holds_the_values_and_says_what_it_can_not_hold() {
    let browser = Browser::start((1280, 900), &[]);
    open(&browser, &served_at(""));
    browser.js("lab.values.set({speed_m_s: 5.5, clock_error_ms: -3})");
    let link = browser.js("return document.querySelector('#link').value");
    assert_eq!(link, json!(served_at("#speed_m_s=5.5&clock_error_ms=-3")));
    browser.until("lab.settled > 0");
    let shown = || {
        browser.js("return [document.querySelector('#verdict').textContent, document.querySelector('#way').innerHTML]")
    };
    let first = shown();
    browser.go("about:blank");
    open(&browser, link.as_str().expect("text"));
    assert_eq!(shown(), first, "the link shows the same");
    browser.go("about:blank");
    open(
        &browser,
        &served_at("#speed_m_s=99&colour=red&latency_ms=100"),
    );
    let trouble = browser.js("return document.querySelector('#trouble').textContent");
    for word in ["speed_m_s=99 (1 to 8 m/s)", "colour (unknown)"] {
        assert!(
            trouble.as_str().is_some_and(|t| t.contains(word)),
            "{trouble}"
        );
    }
    assert_eq!(
        browser.js("return [lab.values.now().speed_m_s, lab.values.now().latency_ms]"),
        json!([4, 100])
    );
}

/// Of each lesson a wrong answer is refused and a right one taken, by the kernel's own figures.
#[test]
fn lessons_tell_right_answers_from_wrong_ones() {
    let browser = Browser::start((1280, 900), &[]);
    open(&browser, &served_at(""));
    let lesson = |id: &str| browser.click(&format!("[data-lesson={id}]"));
    let checked = |word: &str| {
        browser.js("document.querySelector('#answer-verdict').textContent = ''");
        browser.click("#check");
        browser.until("document.querySelector('#answer-verdict').textContent");
        let said = browser.js("return document.querySelector('#answer-verdict').textContent");
        assert!(
            said.as_str().is_some_and(|s| s.contains(word)),
            "{word}: {said}"
        );
    };
    lesson("clock");
    assert_eq!(
        browser.js("return lab.values.now().clock_error_ms"),
        json!(5)
    );
    checked("first");
    browser.keys("#answer", "20");
    checked("Not yet");
    browser.js("document.querySelector('#answer').value = ''");
    browser.keys("#answer", "30");
    checked("Right");
    lesson("fixed-delay");
    browser.click("#answer-1");
    let one = verdict(&browser);
    browser.click("#answer-0");
    assert_ne!(one, verdict(&browser), "one of the two is right");
    // Those whose answer is a setting: what they begin with is wrong, what they teach is right.
    for (id, right) in [
        ("wheel", "pulse_length_mm: WHEEL"),
        ("buffers", "lead_mm: LEAD, trail_mm: TRAIL"),
        ("valve", "camera_ahead_m: AHEAD"),
    ] {
        lesson(id);
        checked("Not yet");
        let right = answers()
            .iter()
            .fold(right.to_owned(), |text, (word, value)| {
                text.replace(word, &value.to_string())
            });
        browser.js(&format!("lab.values.set({{{right}}})"));
        checked("Right");
    }
}

fn verdict(browser: &Browser) -> bool {
    browser.js("document.querySelector('#answer-verdict').textContent = ''");
    browser.click("#check");
    browser.until("document.querySelector('#answer-verdict').textContent");
    browser.js("return document.querySelector('#answer-verdict').className")
        == json!("verdict-right")
}

/// The answers that a student finds by trying, found likewise: by going through the settings.
fn answers() -> [(&'static str, f64); 4] {
    let figures =
        |values: Value| here(&json!({"do": "drive", "values": values}))["figures"].clone();
    let full = |f: &Value| f["core"]["full"] == f["plants"];
    let worst = |f: &Value| {
        ["start_max_mm", "stop_max_mm"]
            .iter()
            .filter_map(|k| f["core"][*k].as_f64())
            .fold(0.0, f64::max)
    };
    let wheel = (20..400)
        .step_by(20)
        .map(f64::from)
        .rev()
        .find(|mm| {
            worst(&figures(
                json!({"pulse_length_mm": mm, "speed_change_percent": 20, "speed_change_s": 3}),
            )) <= 10.0
        })
        .expect("20 mm does");
    let buffers = |lead: f64, trail: f64| {
        figures(
            json!({"clock_error_ms": 3, "valve_spread_ms": 2, "lead_mm": lead, "lead_ms": 0, "trail_mm": trail, "trail_ms": 0, "speed_m_s": 5}),
        )
    };
    let shortest = |of: &dyn Fn(f64) -> Value| {
        (0..=50)
            .map(|i| f64::from(i) * 5.0)
            .find(|mm| full(&of(*mm)))
            .expect("250 mm does")
    };
    let lead = shortest(&|mm| buffers(mm, 250.0));
    let trail = shortest(&|mm| buffers(lead, mm));
    let ahead = (4..=80)
        .map(|i| f64::from(i) * 0.05)
        .find(|m| full(&figures(json!({"open_delay_ms": 100, "close_delay_ms": 100, "rise_ms": 20, "latency_ms": 150, "speed_m_s": 5, "camera_ahead_m": m}))))
        .expect("4 m do");
    [
        ("WHEEL", wheel),
        ("LEAD", lead),
        ("TRAIL", trail),
        ("AHEAD", ahead),
    ]
}

#[test]
fn files_go_out_and_come_in() {
    let browser = Browser::start((1280, 900), &[]);
    open(&browser, &served_at("#speed_m_s=3"));
    let [machine, recording] = ["machine.toml", "recording.jsonl"].map(|name| {
        browser.click(&format!("[data-file='{name}']"));
        browser.downloaded(name)
    });
    let files = here(&json!({"do": "files", "values": {"speed_m_s": 3}}));
    assert_eq!(
        (json!(machine), json!(recording)),
        (
            files["machine.toml"].clone(),
            files["recording.jsonl"].clone()
        )
    );

    // A broken file is told with its place, and what was there stays.
    let message = || browser.js("return document.querySelector('#own-message').textContent");
    browser.click("#own-load");
    assert!(message().as_str().is_some_and(|m| m.contains("both files")));
    let machine = browser.file("mine.toml", &machine);
    let cut: String = recording
        .lines()
        .take(40)
        .chain(["{\"event\":\"pulse\",\"t_us\":\"soon\"}"])
        .map(|l| format!("{l}\n"))
        .collect();
    let cut = browser.file("cut.jsonl", &cut);
    browser.keys("#own-recording", &cut);
    browser.keys("#own-machine", &machine);
    browser.click("#own-load");
    browser.until("document.querySelector('#own-message').textContent.includes('cut.jsonl')");
    let said = message();
    assert!(
        said.as_str()
            .is_some_and(|m| m.contains("cut.jsonl:41:") && m.contains("help:")),
        "{said}"
    );

    // A right one can be driven along.
    let whole = browser.file("whole.jsonl", &recording);
    browser.js("document.querySelector('#own-recording').value = ''");
    browser.keys("#own-recording", &whole);
    browser.click("#own-load");
    browser.until("document.querySelector('#scrub-caption').textContent.includes('lab drive')");
    assert_eq!(message(), json!(""));
    let scrub = |t: f64| {
        browser.js(&format!("const t = document.querySelector('#time'); t.value = {t}; t.dispatchEvent(new Event('input')); return document.querySelector('#scrub').innerHTML"))
    };
    assert_ne!(scrub(5.0), scrub(9.0), "the boom moves");
    // Where some nozzles flow by half or more, as many are drawn so, and said so.
    let file = |name: &str| json!({"name": name, "text": files[name]});
    let told = here(
        &json!({"do": "recording", "machine": file("machine.toml"), "recording": file("recording.jsonl")}),
    );
    let spells: Vec<(f64, f64)> = told["open_s"]
        .as_array()
        .expect("a list a nozzle")
        .iter()
        .flat_map(|n| n.as_array().expect("a list of spells"))
        .map(|s| (s[0].as_f64().expect("s"), s[1].as_f64().expect("s")))
        .collect();
    let at = |t: f64| spells.iter().filter(|s| s.0 <= t && t < s.1).count();
    // The slider has steps: two of them away from any change.
    let middle = spells.iter().find(|s| s.1 - s.0 > 0.1).expect("a patch");
    let t = (50.0 * (middle.0 + middle.1)).round() / 100.0;
    scrub(t);
    let open = browser.js("return document.querySelectorAll('#scrub .core-solid').length");
    assert_eq!(open, json!(at(t)), "at {t} s");
    let heard = browser.js("return document.querySelector('#time').getAttribute('aria-valuetext')");
    assert!(
        heard.as_str().is_some_and(|h| h.contains("spraying: ")),
        "{heard}"
    );
    scrub(9.0);
    let clock = browser.js("return document.querySelector('#clock').textContent");
    assert!(
        clock
            .as_str()
            .is_some_and(|c| c.starts_with("9.00 s · 27.0") && c.contains("3.0 m/s")),
        "{clock}"
    );
}

/// From disk without a server: the same numbers for many settings, text for text.
#[test]
fn the_page_from_disk_gives_the_same_numbers() {
    let browser = Browser::start((1280, 900), &[]);
    open(&browser, &from_disk());
    assert_eq!(browser.js("return lab.backend.kind"), json!("module"));
    let mut requests = vec![json!({"do": "table"}), json!({"do": "fly"})];
    for row in TABLE {
        for share in [0.0, 0.3, 1.0] {
            let value = ((row.low + share * (row.high - row.low)) / row.step).round() * row.step;
            let value = value.clamp(row.low, row.high);
            requests.push(json!({"do": "drive", "values": {row.key: value}}));
        }
    }
    for values in [
        json!({}),
        json!({"clock_error_ms": 4.5, "jitter_ms": 30, "speed_change_percent": 33, "valve_spread_ms": 2.5}),
        json!({"pulse_length_mm": 300, "unevenness_percent": 4, "speed_change_percent": 40, "speed_change_s": 1.3}),
    ] {
        for what in ["curve", "timeline", "files", "drive"] {
            requests.push(json!({"do": what, "values": values}));
        }
    }
    for request in &requests {
        let there = browser.js(&format!("return lab.backend.text({request})"));
        let here = host_sim::lab::answer(&request.to_string());
        assert!(
            there.as_str() == Some(&here),
            "{request}: {}",
            differ(&here, there.as_str().unwrap_or_default())
        );
    }
    println!("{} requests, the same text from both", requests.len());
}

/// Where two texts part.
fn differ(here: &str, there: &str) -> String {
    let at = here
        .bytes()
        .zip(there.bytes())
        .take_while(|(a, b)| a == b)
        .count();
    let part = |text: &str| {
        String::from_utf8_lossy(
            &text.as_bytes()[at.saturating_sub(60).min(text.len())..(at + 60).min(text.len())],
        )
        .into_owned()
    };
    format!("{}\n{}", part(here), part(there))
}

/// Everything that would leave this computer goes to a proxy that only listens.
#[test]
fn nothing_leaves_the_loopback() {
    let proxy = Proxy::listen();
    let browser = Browser::start((1280, 900), &[&proxy.argument()]);
    for address in [served_at(""), from_disk()] {
        open(&browser, &address);
        browser.until("lab.settled > 0");
        browser.click("[data-lesson=buffers]");
        browser.until("lab.settled > 1");
        let loaded = browser.js("return performance.getEntriesByType('resource').map((e) => e.name).filter((n) => !n.startsWith(location.origin) && !n.startsWith('data:'))");
        assert_eq!(loaded, json!([]));
        // Even where somebody slipped it in, the page's own policy forbids it.
        browser.js("const i = new Image(); i.src = 'http://slipped-in.invalid/a.png'; document.body.append(i); fetch('http://slipped-in.invalid/b').catch(() => {})");
    }
    // The browser itself may look for news; the lab's page asks for nothing.
    assert_eq!(proxy.asked("slipped-in"), Vec::<String>::new());
    // The proxy would have seen it.
    let _ = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        browser.go("http://planted.invalid/")
    }));
    assert!(
        !proxy.asked("planted.invalid").is_empty(),
        "{:?}",
        proxy.asked("")
    );
}

/// Printed, not asserted: from a moved slider to the drawn picture, median of forty.
#[test]
fn slider_to_picture() {
    let browser = Browser::start((1280, 900), &[]);
    for address in [served_at(""), from_disk()] {
        open(&browser, &address);
        browser.until("lab.settled > 0");
        browser.js("lab.took.length = 0");
        for i in 0..40 {
            let count = i + 1;
            browser.js(&format!(
                "const r = document.querySelector('#r-speed_m_s'); r.value = {}; r.dispatchEvent(new Event('input'))",
                2.0 + 0.1 * f64::from(i)
            ));
            browser.until(&format!("lab.took.length >= {count}"));
        }
        let mut took: Vec<f64> = browser
            .js("return lab.took")
            .as_array()
            .expect("a list")
            .iter()
            .filter_map(Value::as_f64)
            .collect();
        took.sort_by(f64::total_cmp);
        assert!(took.len() >= 40);
        println!(
            "slider to picture, {}: median {:.0} ms, slowest {:.0} ms",
            browser.js("return lab.backend.kind"),
            took[took.len() / 2],
            took[took.len() - 1]
        );
    }
}
