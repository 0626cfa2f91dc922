//! A real browser over the WebDriver protocol: a page is opened, looked at, used.
//!
//! # Source
//! W3C, WebDriver, "Endpoints"; the commands below `goog/` are chromedriver's own.

use serde_json::{Value, json};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// How long the page may take for anything.
const PATIENCE: Duration = Duration::from_secs(20);

/// What a page must not do; collected before its own scripts run.
const LISTEN: &str = "window.heard = [];
addEventListener('error', (e) => heard.push('error: ' + e.message), true);
addEventListener('unhandledrejection', (e) => heard.push('rejection: ' + e.reason));
addEventListener('securitypolicyviolation', (e) => heard.push('policy: ' + e.violatedDirective + ' ' + e.blockedURI));";

/// A chromedriver with one window, which end with this value.
pub struct Browser {
    driver: Child,
    session: String,
    _profile: tempfile::TempDir,
}

fn found(names: &[&str]) -> Option<PathBuf> {
    let path = std::env::var_os("PATH")?;
    let folders: Vec<PathBuf> = std::env::split_paths(&path).collect();
    names.iter().flat_map(|name| folders.iter().map(move |f| f.join(name))).find(|p| p.is_file())
}

impl Browser {
    /// A browser, or none where there is no chromedriver; `RIDELOOP_BROWSER=required`
    /// makes that a failure.
    pub fn start() -> Option<Self> {
        let driver = found(&["chromedriver"]);
        let chrome = found(&["chromium", "chromium-browser", "google-chrome"]);
        let (Some(driver), Some(chrome)) = (driver, chrome) else {
            let required = std::env::var("RIDELOOP_BROWSER").is_ok_and(|v| v == "required");
            assert!(
                !required,
                "RIDELOOP_BROWSER=required, but there is no chromedriver with chromium in PATH"
            );
            eprintln!("\n*** SKIPPED: no chromedriver with chromium in PATH, so no page was opened ***\n");
            return None;
        };
        let profile = tempfile::tempdir().expect("a folder");
        let mut driver = Command::new(driver)
            .arg("--port=0")
            .env("HOME", profile.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver starts");
        let mut lines = BufReader::new(driver.stdout.take().expect("piped")).lines();
        let port = lines.by_ref().map_while(Result::ok).find_map(|line| {
            let port = line.strip_prefix("ChromeDriver was started successfully on port ")?;
            port.trim_end_matches('.').parse::<u16>().ok()
        });
        // What it says later must not fill the pipe.
        std::thread::spawn(move || lines.for_each(drop));
        let base = format!("http://127.0.0.1:{}", port.expect("chromedriver names its port"));
        let args = json!([
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--enable-unsafe-swiftshader",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--disable-quic",
            "--disable-dev-shm-usage",
            "--hide-scrollbars",
            format!("--user-data-dir={}", profile.path().display()),
        ]);
        let wanted = json!({ "capabilities": { "alwaysMatch": {
            "goog:chromeOptions": { "binary": chrome, "args": args },
            "goog:loggingPrefs": { "browser": "ALL", "performance": "ALL" },
        }}});
        let mut browser = Self { driver, session: format!("{base}/session"), _profile: profile };
        let answer = browser.post("", wanted);
        let id = answer["sessionId"].as_str().expect("a session").to_owned();
        browser.session = format!("{}/{id}", browser.session);
        browser.before_every_page(LISTEN);
        // Until here the window held the browser's own first page.
        browser.post("/url", json!({ "url": "about:blank" }));
        browser.log("performance");
        Some(browser)
    }

    fn post(&self, path: &str, body: Value) -> Value {
        let agent: ureq::Agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(PATIENCE))
            .build()
            .into();
        let sent = agent.post(format!("{}{path}", self.session)).send_json(&body);
        let answer: Value = sent.expect("chromedriver answers").body_mut().read_json().expect("JSON");
        assert!(answer["value"]["error"].is_null(), "{path}: {answer:#}");
        answer["value"].clone()
    }

    /// A command of the browser's own protocol.
    pub fn cdp(&self, command: &str, params: Value) -> Value {
        self.post("/goog/cdp/execute", json!({ "cmd": command, "params": params }))
    }

    /// A script that runs before those of every page that is opened from now on.
    pub fn before_every_page(&self, script: &str) {
        self.cdp("Page.addScriptToEvaluateOnNewDocument", json!({ "source": script }));
    }

    /// A window of this size, in light or dark.
    pub fn emulate(&self, width: u32, height: u32, scheme: &str) {
        let size = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600 });
        self.cdp("Emulation.setDeviceMetricsOverride", size);
        let features = json!([
            { "name": "prefers-color-scheme", "value": scheme },
            // A page that still scrolls cannot be clicked on.
            { "name": "prefers-reduced-motion", "value": "reduce" },
        ]);
        self.cdp("Emulation.setEmulatedMedia", json!({ "features": features }));
    }

    /// Opens a file and waits until its scripts have run.
    pub fn open(&self, file: &Path) {
        self.post("/url", json!({ "url": format!("file://{}", file.display()) }));
        self.wait("document.readyState === 'complete'");
    }

    /// What an expression of the page's language gives.
    pub fn eval(&self, expression: &str) -> Value {
        self.post("/execute/sync", json!({ "script": format!("return ({expression});"), "args": [] }))
    }

    pub fn text(&self, expression: &str) -> String {
        let value = self.eval(expression);
        value.as_str().unwrap_or_else(|| panic!("{expression} is {value}")).to_owned()
    }

    /// Waits until an expression holds.
    pub fn wait(&self, expression: &str) {
        let begun = Instant::now();
        while self.eval(expression) != json!(true) {
            assert!(begun.elapsed() < PATIENCE, "never: {expression}; heard {}", self.eval("window.heard"));
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Presses keys, as a keyboard does. Names are those of `KeyboardEvent.key`.
    pub fn press(&self, key: &str) {
        // W3C, WebDriver, "Keyboard actions", table of normalised keys.
        let value = match key {
            "Tab" => "\u{E004}",
            "Enter" => "\u{E007}",
            "Escape" => "\u{E00C}",
            "ArrowLeft" => "\u{E012}",
            "ArrowRight" => "\u{E014}",
            "ArrowDown" => "\u{E015}",
            other => other,
        };
        let action = |kind: &str| json!({ "type": kind, "value": value });
        let keys = json!({ "type": "key", "id": "keys", "actions": [action("keyDown"), action("keyUp")] });
        self.post("/actions", json!({ "actions": [keys] }));
    }

    /// Clicks with the pointer in the middle of what a selector finds.
    pub fn click(&self, selector: &str) {
        let found = self.post("/element", json!({ "using": "css selector", "value": selector }));
        let id =
            found.as_object().and_then(|o| o.values().next()).and_then(Value::as_str).expect("an element");
        self.post(&format!("/element/{id}/click"), json!({}));
    }

    /// Drags with the pointer from the middle of what a selector finds; by nothing, it
    /// only rests there.
    pub fn drag(&self, selector: &str, (x, y): (i32, i32)) {
        self.eval(&format!("document.querySelector(\"{selector}\").scrollIntoView({{ block: 'center' }})"));
        let found = self.post("/element", json!({ "using": "css selector", "value": selector }));
        let to = json!({ "type": "pointerMove", "duration": 50, "origin": found, "x": 0, "y": 0 });
        let by = json!({ "type": "pointerMove", "duration": 300, "origin": "pointer", "x": x, "y": y });
        let press = |kind: &str| json!({ "type": kind, "button": 0 });
        let steps = match (x, y) {
            (0, 0) => json!([to, by]),
            _ => json!([to, press("pointerDown"), by, press("pointerUp")]),
        };
        let pointer = json!({ "type": "pointer", "id": "pointer", "actions": steps });
        self.post("/actions", json!({ "actions": [pointer] }));
    }

    /// Complaints of the page, the console and the network since the last time.
    ///
    /// The page itself may be asked for; nothing else.
    pub fn complaints(&self, page: &Path) -> Vec<String> {
        let mut all: Vec<String> = Vec::new();
        for heard in self.eval("window.heard.splice(0)").as_array().expect("a list") {
            all.push(heard.to_string());
        }
        // How fast the drawing goes is the machine's matter.
        for entry in self.log("browser").iter().filter(|e| e["source"] != "rendering") {
            all.push(format!("console: {entry}"));
        }
        let own = format!("file://{}", page.display());
        for entry in self.log("performance") {
            let message: Value =
                serde_json::from_str(entry["message"].as_str().expect("text")).expect("JSON");
            let message = &message["message"];
            if message["method"] == "Network.requestWillBeSent" {
                let url = message["params"]["request"]["url"].as_str().unwrap_or_default();
                let inner = ["data:", "blob:"].iter().any(|scheme| url.starts_with(scheme));
                if url.split('#').next() != Some(&own) && !inner {
                    all.push(format!("request: {url}"));
                }
            }
        }
        all
    }

    fn log(&self, kind: &str) -> Vec<Value> {
        self.post("/se/log", json!({ "type": kind })).as_array().cloned().unwrap_or_default()
    }

    /// The page as a picture, whole or only the window.
    pub fn picture(&self, whole: bool) -> Vec<u8> {
        let shot = self.cdp("Page.captureScreenshot", json!({ "captureBeyondViewport": whole }));
        if !whole {
            return bytes(shot["data"].as_str().expect("base 64"));
        }
        let size = self.cdp("Page.getLayoutMetrics", json!({}))["cssContentSize"].clone();
        let clip = json!({ "x": 0, "y": 0, "width": size["width"], "height": size["height"], "scale": 1 });
        let shot = self.cdp("Page.captureScreenshot", json!({ "captureBeyondViewport": true, "clip": clip }));
        bytes(shot["data"].as_str().expect("base 64"))
    }

    /// The page on paper.
    pub fn paper(&self) -> Vec<u8> {
        let print = json!({ "printBackground": true, "preferCSSPageSize": true });
        bytes(self.cdp("Page.printToPDF", print)["data"].as_str().expect("base 64"))
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // The driver takes its browser with it only when the session ends first.
        let _ = ureq::delete(&self.session).call();
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// Bytes from base 64.
///
/// # Source
/// RFC 4648, section 4.
fn bytes(text: &str) -> Vec<u8> {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut places = [0u8; 256];
    for (place, letter) in LETTERS.iter().enumerate() {
        places[usize::from(*letter)] = place as u8;
    }
    let mut bytes = Vec::with_capacity(text.len() / 4 * 3);
    for four in text.trim_end_matches('=').as_bytes().chunks(4) {
        let bits = four.iter().fold(0u32, |bits, l| bits << 6 | u32::from(places[usize::from(*l)]))
            << (6 * (4 - four.len()));
        bytes.extend_from_slice(&bits.to_be_bytes()[1..four.len()]);
    }
    bytes
}
