//! The page of `host-sim report` opened from disk: zooming, a phone, paper, and that it asks nobody
//! for anything.

use std::path::{Path, PathBuf};

use host_sim::run::{DEMO_MACHINE, DEMO_SCENARIO};
use host_sim::{generate, report};
use serde_json::{Value, json};

use crate::access::nameless;
use crate::browser::Browser;
use crate::http::Proxy;

/// A4 upright less the page's own margins of 14 mm, CSS pixels of 1/96 inch: 182 by 269 mm.
const PAPER: (u64, f64) = (688, 1016.0);

/// The page of a drive with a supply, on a machine so wrongly told that plants are missed.
fn page() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("report-page");
    let _none_yet = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("a folder");
    let write = |name: &str, text: &str| {
        let path = folder.join(name);
        std::fs::write(&path, text).expect("it can be written");
        path.display().to_string()
    };
    write("machine.toml", DEMO_MACHINE);
    let supply = "[supply]\nnominal_kpa = 300.0\nnozzle_l_min = 0.8\npump_kpa = 400.0\npump_drop_kpa = 2.0\nlag_ms = 20.0\n";
    let scenario = write("scenario.toml", &format!("{DEMO_SCENARIO}\n{supply}"));
    let drive = folder.join("drive").display().to_string();
    generate::into_folder(&scenario, &drive).expect("it drives");
    let wrong = DEMO_MACHINE
        .replace("lead_m = 0.06", "lead_m = 0.0")
        .replace("lead_ms = 5.0", "lead_ms = 0.0")
        .replace("open_delay_ms = 20.0", "open_delay_ms = 60.0");
    write("drive/machine.toml", &wrong);
    let out = folder.join("report.html");
    report::report(&drive, &out.display().to_string()).expect("a page");
    out
}

#[test]
fn the_report_zooms_prints_and_asks_for_nothing() {
    let page = page();
    let proxy = Proxy::listen();
    let browser = Browser::start((1280, 900), &[&proxy.argument()]);
    browser.go(&format!("file://{}", page.display()));
    browser.until("document.querySelector('.said').textContent");
    assert_eq!(nameless(&browser.heard()), Vec::<&str>::new());
    zooms(&browser);
    on_a_phone(&browser);
    on_paper(&browser, &page);
    assert_eq!(browser.errors(), Vec::<String>::new());
    let loaded = "return performance.getEntriesByType('resource').map((e) => e.name)";
    assert_eq!(browser.js(loaded), json!([]));
    // Even where somebody slipped it in, the page's own policy forbids it; and refusals are seen
    // here. That the proxy sees what does leave is shown with the lab's page.
    browser.js("const i = new Image(); i.src = 'http://slipped-in.invalid/a.png'; i.onerror = () => { window.refused = true; }; document.body.append(i)");
    browser.until("window.refused");
    assert!(browser.errors().iter().any(|e| e.contains("slipped-in")));
    assert_eq!(proxy.asked("slipped-in"), Vec::<String>::new());
}

/// The view of the strip: where it begins and how much it shows, m.
fn view(browser: &Browser) -> (f64, f64) {
    let told = browser.js("const b = document.querySelector('.ground svg').getAttribute('viewBox').split(' '); return [Number(b[0]), Number(b[2])]");
    let at = |i: usize| told[i].as_f64().expect("a number");
    (at(0), at(1))
}

#[track_caller]
fn near(is: (f64, f64), wanted: (f64, f64), by: f64) {
    let off = (is.0 - wanted.0).abs().max((is.1 - wanted.1).abs());
    assert!(off < by, "{is:?} is not {wanted:?}");
}

fn zooms(browser: &Browser) {
    let (from, span) = view(browser);
    browser.click("[data-act=nearer]");
    browser.click("[data-act=nearer]");
    let close = (from + 0.375 * span, 0.25 * span);
    near(view(browser), close, 1e-6);
    browser.click("[data-act=on]");
    near(view(browser), (close.0 + 0.25 * close.1, close.1), 1e-6);
    // The axis and the words follow.
    let said = browser.js("return document.querySelector('.said').textContent");
    let words = format!("{:.2} m to", view(browser).0);
    assert!(
        said.as_str().is_some_and(|s| s.starts_with(&words)),
        "{said}"
    );
    let ticks = browser.js(
        "return [...document.querySelectorAll('.axis text')].map((e) => parseFloat(e.textContent))",
    );
    let ticks: Vec<f64> = ticks
        .as_array()
        .expect("ticks")
        .iter()
        .filter_map(Value::as_f64)
        .collect();
    let (at, wide) = view(browser);
    assert!(
        ticks.len() >= 3
            && ticks
                .iter()
                .all(|t| (at - 1e-6..=at + wide + 1e-6).contains(t)),
        "{ticks:?}"
    );
    // Nothing beyond the ends of the drive.
    browser.keys(".ground", "\u{E011}");
    near(view(browser), (from, span), 1e-6);
    browser.keys(".ground", "+\u{E012}");
    near(view(browser), (from + 0.125 * span, 0.5 * span), 1e-6);
    browser.click("[data-act=all]");
    // Under the pointer the ground stays where it is; dragging takes it along.
    browser.js("const s = document.querySelector('.ground svg'), r = s.getBoundingClientRect(); s.dispatchEvent(new WheelEvent('wheel', { deltaY: -500, clientX: r.left + 0.25 * r.width, clientY: r.top + 9, cancelable: true }))");
    let part = (-1.0_f64).exp();
    near(
        view(browser),
        (from + 0.25 * span * (1.0 - part), span * part),
        0.02 * span,
    );
    let (before, wide) = view(browser);
    browser.drag(".ground", -50, 100);
    let pixels =
        browser.js("return document.querySelector('.ground svg').getBoundingClientRect().width");
    let moved = 100.0 / pixels.as_f64().expect("a width") * wide;
    near(view(browser), (before - moved, wide), 0.02 * wide);
    // A plant of the table leads to its place.
    let link = browser
        .js("const a = document.querySelector('a[data-x]'); a.click(); return Number(a.dataset.x)");
    let (at, wide) = view(browser);
    let x = link.as_f64().expect("a plant that was missed");
    assert!(
        wide <= 4.0 + 1e-9 && at <= x && x <= at + wide,
        "{x}: {at} {wide}"
    );
}

/// Texts of pictures that are shown and lower than so many pixels.
fn small(browser: &Browser, least: f64) -> Value {
    browser.js(&format!(
        "return [...document.querySelectorAll('figure svg text, .paper svg text')].filter((e) => e.getClientRects().length && e.textContent && Math.min(e.getBoundingClientRect().height, e.getBoundingClientRect().width * 9) < {least}).map((e) => `${{e.getBoundingClientRect().height}}: ${{e.textContent}}`).slice(0, 5)"
    ))
}

fn on_a_phone(browser: &Browser) {
    browser.show_as(390, "", &[]);
    assert_eq!(
        browser.js("return document.documentElement.scrollWidth"),
        json!(390)
    );
    assert_eq!(small(browser, 9.0), json!([]));
    // Tables that are wider can be scrolled without a mouse.
    browser.until("[...document.querySelectorAll('.wide')].every((e) => (e.scrollWidth > e.clientWidth) === (e.tabIndex === 0))");
}

fn on_paper(browser: &Browser, page: &Path) {
    browser.show_as(PAPER.0, "print", &[]);
    browser.js("window.dispatchEvent(new Event('beforeprint'))");
    assert_eq!(
        browser.js("return document.documentElement.scrollWidth"),
        json!(PAPER.0)
    );
    let beyond = browser.js(&format!(
        "return [...document.querySelectorAll('main *')].filter((e) => e.getClientRects().length && (e.getBoundingClientRect().right > {0} + 0.5 || (e instanceof HTMLElement && e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX !== 'visible'))).map((e) => e.tagName + ' ' + e.textContent.slice(0, 40))",
        PAPER.0
    ));
    assert_eq!(beyond, json!([]), "cut off at the right");
    assert_eq!(small(browser, 8.0), json!([]));
    // Pictures fit on a page, the whole drive is there, and every file lies open.
    let high = browser.js("return Math.max(...[...document.querySelectorAll('.paper svg, figure')].filter((e) => e.getClientRects().length).map((e) => e.getBoundingClientRect().height))");
    assert!(
        high.as_f64().is_some_and(|h| h > 50.0 && h <= PAPER.1),
        "{high}"
    );
    let rows = browser.js("return [...document.querySelectorAll('.paper svg')].map((e) => e.getAttribute('aria-label'))");
    let rows = rows.as_array().expect("rows");
    let whole = browser.js("return document.querySelector('.ground').dataset.to");
    let end: f64 = whole.as_str().expect("metres").parse().expect("a number");
    let last = rows.last().and_then(Value::as_str).expect("a row");
    assert!(last.ends_with(&format!("to {end:.0} m")), "{last}");
    let folded = browser.js("return [...document.querySelectorAll('details:not([open])')].length");
    assert_eq!(folded, json!(0));
    // For people to look at.
    let pdf = browser.own(
        "Page.printToPDF",
        json!({"preferCSSPageSize": true, "printBackground": true}),
    );
    let pdf = crate::browser::decoded(pdf["data"].as_str().expect("a document"));
    assert!(pdf.starts_with(b"%PDF"));
    std::fs::write(page.with_extension("pdf"), pdf).expect("it can be written");
}
