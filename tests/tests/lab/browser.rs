//! A headless browser, driven by the WebDriver protocol (W3C Recommendation, 2018).

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use std::{env, fs, thread};

use serde_json::{Value, json};

use crate::http;

/// The name of an element in the protocol.
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";

/// A browser of its own profile; ends when dropped.
pub struct Browser {
    driver: Child,
    port: u16,
    session: String,
    folder: PathBuf,
}

impl Browser {
    /// Starts one with a window of this size, and more arguments.
    pub fn start(size: (u32, u32), more: &[&str]) -> Browser {
        static NEXT: AtomicUsize = AtomicUsize::new(0);
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let folder = env::temp_dir().join(format!("lab-browser-{}-{number}", std::process::id()));
        fs::create_dir_all(folder.join("downloads")).expect("a folder for the browser");
        let mut driver = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap_or_else(|e| {
                panic!("chromedriver: {e}; run scripts/browser, or scripts/test once")
            });
        let out = driver.stdout.take().expect("it is piped");
        let port = BufReader::new(out)
            .lines()
            .map_while(Result::ok)
            .find_map(|line| {
                let (_, rest) = line.split_once("successfully on port ")?;
                rest.trim_end_matches('.').parse().ok()
            })
            .expect("the driver tells its port");
        let mut args = vec![
            format!("--user-data-dir={}", folder.join("profile").display()),
            format!("--window-size={},{}", size.0, size.1),
        ];
        for arg in [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--disable-dev-shm-usage",
            "--no-first-run",
            "--hide-scrollbars",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--disable-default-apps",
        ]
        .iter()
        .chain(more)
        {
            args.push((*arg).to_owned());
        }
        let wish = json!({"capabilities": {"alwaysMatch": {"goog:chromeOptions": {
            "args": args,
            "prefs": {"download.default_directory": folder.join("downloads"), "download.prompt_for_download": false},
        }, "goog:loggingPrefs": {"browser": "ALL"}}}});
        let answer = http::ask("POST", port, "/session", &wish.to_string());
        let told: Value = serde_json::from_str(&answer.body).expect("the driver speaks JSON");
        let session = told["value"]["sessionId"]
            .as_str()
            .unwrap_or_else(|| panic!("no browser: {}", answer.body));
        Browser {
            session: session.to_owned(),
            driver,
            port,
            folder,
        }
    }

    fn call(&self, method: &str, path: &str, body: &Value) -> Value {
        let path = format!("/session/{}/{path}", self.session);
        let body = if method == "POST" {
            body.to_string()
        } else {
            String::new()
        };
        let answer = http::ask(method, self.port, &path, &body);
        let mut told: Value = serde_json::from_str(&answer.body).expect("the driver speaks JSON");
        assert!(answer.status == 200, "{path}: {}", answer.body);
        told["value"].take()
    }

    /// Goes to an address.
    pub fn go(&self, address: &str) {
        self.call("POST", "url", &json!({ "url": address }));
    }

    /// Runs a function body in the page and gives what it returns; a promise is waited for.
    pub fn js(&self, script: &str) -> Value {
        self.call(
            "POST",
            "execute/sync",
            &json!({"script": script, "args": []}),
        )
    }

    /// Waits until an expression is true.
    #[track_caller]
    pub fn until(&self, what: &str) {
        for _ in 0..600 {
            if self.js(&format!("return Boolean({what})")) == json!(true) {
                return;
            }
            thread::sleep(Duration::from_millis(50));
        }
        let text = self.js("return document.body.innerText.slice(0, 3000)");
        panic!("never true: {what}; the page says: {text}");
    }

    fn element(&self, css: &str) -> String {
        let found = self.call(
            "POST",
            "element",
            &json!({"using": "css selector", "value": css}),
        );
        found[ELEMENT]
            .as_str()
            .unwrap_or_else(|| panic!("no {css}"))
            .to_owned()
    }

    /// Clicks an element, scrolled into view.
    pub fn click(&self, css: &str) {
        let element = self.element(css);
        self.call("POST", &format!("element/{element}/click"), &json!({}));
    }

    /// Types into an element, or chooses a file.
    pub fn keys(&self, css: &str, text: &str) {
        let element = self.element(css);
        self.call(
            "POST",
            &format!("element/{element}/value"),
            &json!({ "text": text }),
        );
    }

    /// Drags from an element's middle by so many pixels to the right.
    pub fn drag(&self, css: &str, from_middle: i64, by: i64) {
        let element = json!({ELEMENT: self.element(css)});
        let step = |x: i64| json!({"type": "pointerMove", "duration": 60, "origin": element, "x": x, "y": 0});
        let actions = json!({"actions": [{"type": "pointer", "id": "mouse", "parameters": {"pointerType": "mouse"}, "actions": [
            step(from_middle),
            {"type": "pointerDown", "button": 0},
            step(from_middle + by / 2),
            step(from_middle + by),
            {"type": "pointerUp", "button": 0},
        ]}]});
        self.call("POST", "actions", &actions);
    }

    /// Presses keys one after the other, wherever the focus is.
    pub fn press(&self, keys: &[&str]) {
        let each = keys
            .iter()
            .flat_map(|key| ["keyDown", "keyUp"].map(|what| json!({"type": what, "value": key})));
        let each: Vec<Value> = each.collect();
        let actions = json!({"actions": [{"type": "key", "id": "keyboard", "actions": each}]});
        self.call("POST", "actions", &actions);
    }

    /// What scripts broke and what was refused since the last call.
    pub fn errors(&self) -> Vec<String> {
        let told = self.call("POST", "se/log", &json!({"type": "browser"}));
        let all = told.as_array().cloned().unwrap_or_default();
        all.iter()
            .filter(|e| e["level"] == "SEVERE")
            .map(|e| e["message"].to_string())
            .collect()
    }

    /// What those hear who do not see: role and name of all that the accessibility tree holds.
    pub fn heard(&self) -> Vec<(String, String)> {
        self.own("Accessibility.enable", json!({}));
        let tree = self.own("Accessibility.getFullAXTree", json!({}));
        let nodes = tree["nodes"].as_array().cloned().unwrap_or_default();
        let text = |n: &Value, of: &str| n[of]["value"].as_str().unwrap_or_default().to_owned();
        nodes
            .iter()
            .filter(|n| n["ignored"] == json!(false))
            .map(|n| (text(n, "role"), text(n, "name")))
            .collect()
    }

    /// How the page is shown: width, medium, and what the reader prefers.
    pub fn show_as(&self, width: u64, medium: &str, prefers: &[(&str, &str)]) {
        let metrics =
            json!({"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 500});
        self.own("Emulation.setDeviceMetricsOverride", metrics);
        let prefers: Vec<Value> = prefers
            .iter()
            .map(|(name, value)| json!({"name": format!("prefers-{name}"), "value": value}))
            .collect();
        let media = json!({"media": medium, "features": prefers});
        self.own("Emulation.setEmulatedMedia", media);
    }

    /// A command of the browser's own protocol.
    pub fn own(&self, command: &str, parameters: Value) -> Value {
        self.call(
            "POST",
            "goog/cdp/execute",
            &json!({"cmd": command, "params": parameters}),
        )
    }

    /// What the last download holds; waits for it.
    pub fn downloaded(&self, name: &str) -> String {
        let path = self.folder.join("downloads").join(name);
        for _ in 0..600 {
            // While it comes in it has another name.
            if let Ok(text) = fs::read_to_string(&path)
                && !text.is_empty()
            {
                return text;
            }
            thread::sleep(Duration::from_millis(50));
        }
        panic!("{} never came", path.display());
    }

    /// Writes a file that the browser can be given.
    pub fn file(&self, name: &str, text: &str) -> String {
        let path = self.folder.join(name);
        fs::write(&path, text).expect("it can be written");
        path.display().to_string()
    }

    /// Writes a picture of the whole page, for people to look at.
    pub fn picture(&self, to: &Path) {
        let size = self.own("Page.getLayoutMetrics", json!({}))["cssContentSize"].clone();
        let clip =
            json!({"x": 0, "y": 0, "width": size["width"], "height": size["height"], "scale": 1});
        let shot = self.own(
            "Page.captureScreenshot",
            json!({"captureBeyondViewport": true, "clip": clip}),
        );
        fs::write(to, decoded(shot["data"].as_str().expect("a picture")))
            .expect("it can be written");
    }
}

/// Base64 (RFC 4648) without a look at what can't be in it.
pub fn decoded(text: &str) -> Vec<u8> {
    let six = |c: u8| match c {
        b'A'..=b'Z' => c - b'A',
        b'a'..=b'z' => c - b'a' + 26,
        b'0'..=b'9' => c - b'0' + 52,
        b'+' => 62,
        _ => 63,
    };
    let (mut bytes, mut bits, mut have) = (Vec::new(), 0u32, 0);
    for c in text.bytes().filter(|c| *c != b'=') {
        bits = bits << 6 | u32::from(six(c));
        have += 6;
        if have >= 8 {
            have -= 8;
            bytes.push((bits >> have) as u8);
        }
    }
    bytes
}

impl Drop for Browser {
    fn drop(&mut self) {
        let path = format!("/session/{}", self.session);
        if !thread::panicking() {
            http::ask("DELETE", self.port, &path, "");
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
        let _ = fs::remove_dir_all(&self.folder);
    }
}
