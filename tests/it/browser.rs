//! The committed pages in a real browser, driven through its driver: they ask for nothing, report no error, can be worked by
//! pointer and by keyboard, are readable for everybody, and print on few pages. Runs where `MANEBIT_BROWSER=1` says that
//! Chromium and its driver are installed; there it fails rather than be passed over.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

const PAGES: [&str; 2] = ["review.html", "comparison/comparison.html"];
/// Those and the pages for others.
const ALL_PAGES: [&str; 4] =
    [PAGES[0], PAGES[1], "for-others/review-for-others.html", "for-others/comparison-for-others.html"];

fn wanted() -> bool {
    std::env::var_os("MANEBIT_BROWSER").is_some_and(|value| value == "1")
}

fn reports() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reports")
}

fn results() -> Value {
    serde_json::from_str(&std::fs::read_to_string(reports().join("results.json")).expect("results")).expect("JSON")
}

/// A browser with one window, by the protocol of <https://www.w3.org/TR/webdriver2/>.
struct Browser {
    driver: Child,
    port: u16,
    session: String,
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.ask("DELETE", &format!("/session/{}", self.session), None);
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

impl Browser {
    fn start() -> Self {
        let mut driver = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver is installed where MANEBIT_BROWSER=1");
        let mut lines = BufReader::new(driver.stdout.take().expect("its output")).lines();
        let port = lines
            .find_map(|line| {
                let line = line.ok()?;
                line.split_once("successfully on port ")?.1.trim_end_matches('.').parse().ok()
            })
            .expect("the driver says its port");
        // Goes on reading, so that the driver can go on writing.
        std::thread::spawn(move || lines.for_each(drop));
        let mut browser = Self { driver, port, session: String::new() };
        let options = json!({
            "binary": "/usr/bin/chromium",
            "args": ["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars",
                "--no-first-run", "--window-size=1280,900"],
        });
        let asked = json!({"capabilities": {"alwaysMatch": {
            "goog:chromeOptions": options,
            "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"},
            "timeouts": {"script": 300_000},
        }}});
        let made = browser.ask("POST", "/session", Some(&asked)).expect("a session");
        browser.session = made["sessionId"].as_str().expect("an id").to_owned();
        browser
    }

    fn ask(&self, method: &str, path: &str, body: Option<&Value>) -> Result<Value, String> {
        let said = |error: std::io::Error| error.to_string();
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).map_err(said)?;
        stream.set_read_timeout(Some(Duration::from_secs(120))).map_err(said)?;
        let body = body.map_or_else(String::new, Value::to_string);
        write!(
            stream,
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nContent-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
            self.port,
            body.len()
        )
        .map_err(said)?;
        let mut reader = BufReader::new(stream);
        let mut length = 0;
        loop {
            let mut line = String::new();
            reader.read_line(&mut line).map_err(said)?;
            if let Some(number) = line.to_ascii_lowercase().strip_prefix("content-length:") {
                length = number.trim().parse::<usize>().map_err(|error| error.to_string())?;
            }
            if line.trim().is_empty() {
                break;
            }
        }
        let mut answer = vec![0; length];
        reader.read_exact(&mut answer).map_err(said)?;
        let answer: Value = serde_json::from_slice(&answer).map_err(|error| error.to_string())?;
        match answer["value"].get("error") {
            Some(error) if error.is_string() => Err(answer["value"].to_string()),
            _ => Ok(answer["value"].clone()),
        }
    }

    fn post(&self, what: &str, body: &Value) -> Value {
        let path = format!("/session/{}/{what}", self.session);
        self.ask("POST", &path, Some(body)).unwrap_or_else(|error| panic!("{what}: {error}"))
    }

    fn command(&self, name: &str, parameters: &Value) -> Value {
        self.post("goog/cdp/execute", &json!({"cmd": name, "params": parameters}))
    }

    /// Opens a page of the reports, whole, with what was logged before forgotten.
    ///
    /// Where scripts are switched off, a driver on a busy machine answers before the page is read to its end: so the document is
    /// asked whether it is.
    fn open(&self, page: &str) {
        self.log("browser");
        self.log("performance");
        self.post("url", &json!({"url": format!("file://{}", reports().join(page).display())}));
        let since = Instant::now();
        while self.run("return document.readyState") != "complete" {
            assert!(since.elapsed() < Duration::from_secs(120), "{page} isn't read to its end in two minutes");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn log(&self, kind: &str) -> Vec<Value> {
        self.post("se/log", &json!({"type": kind})).as_array().cloned().unwrap_or_default()
    }

    /// Runs a script of the test's own in the page.
    fn run(&self, script: &str) -> Value {
        self.post("execute/sync", &json!({"script": script, "args": []}))
    }

    fn find(&self, selector: &str) -> String {
        let found = self.post("element", &json!({"using": "css selector", "value": selector}));
        found.as_object().and_then(|found| found.values().next()).and_then(Value::as_str).expect("an element").to_owned()
    }

    fn click(&self, selector: &str) {
        let element = self.find(selector);
        self.post(&format!("element/{element}/click"), &json!({}));
    }

    fn keys(&self, selector: &str, keys: &str) {
        let element = self.find(selector);
        self.post(&format!("element/{element}/value"), &json!({"text": keys}));
    }

    fn size(&self, width: u32, height: u32, mobile: bool) {
        let size = json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": mobile});
        self.command("Emulation.setDeviceMetricsOverride", &size);
    }

    fn media(&self, media: &str, scheme: &str) {
        let features = json!([{"name": "prefers-color-scheme", "value": scheme}]);
        self.command("Emulation.setEmulatedMedia", &json!({"media": media, "features": features}));
    }

    /// Keeps a picture of what is seen, to be looked at.
    fn picture(&self, name: &str, whole: bool) {
        let taken = self.command("Page.captureScreenshot", &json!({"format": "png", "captureBeyondViewport": whole}));
        keep(&format!("{name}.png"), &bytes(taken["data"].as_str().expect("a picture")));
    }

    fn print(&self, width: f64, height: f64) -> Vec<u8> {
        let asked = json!({"paperWidth": width, "paperHeight": height, "preferCSSPageSize": true, "printBackground": true});
        bytes(self.command("Page.printToPDF", &asked)["data"].as_str().expect("a print"))
    }
}

fn keep(name: &str, content: &[u8]) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pages");
    std::fs::create_dir_all(&folder).expect("a folder");
    std::fs::write(folder.join(name), content).expect("kept");
}

/// Base 64 to bytes (RFC 4648, section 4).
fn bytes(text: &str) -> Vec<u8> {
    let sign = |sign: u8| match sign {
        b'A'..=b'Z' => u32::from(sign - b'A'),
        b'a'..=b'z' => u32::from(sign - b'a') + 26,
        b'0'..=b'9' => u32::from(sign - b'0') + 52,
        b'+' => 62,
        b'/' => 63,
        _ => panic!("no base 64"),
    };
    let mut out = Vec::new();
    for part in text.trim_end_matches('=').as_bytes().chunks(4) {
        let whole = part.iter().fold(0, |whole, &next| (whole << 6) | sign(next)) << (6 * (4 - part.len()));
        out.extend(&whole.to_be_bytes()[1..part.len()]);
    }
    out
}

/// How many pages a PDF has: its page objects are not compressed.
fn page_count(pdf: &[u8]) -> usize {
    let text = String::from_utf8_lossy(pdf);
    text.matches("/Type /Page\n").count() + text.matches("/Type /Page/").count() + text.matches("/Type /Page ").count()
}

#[test]
fn pages_ask_for_nothing_and_report_no_error() {
    if !wanted() {
        return;
    }
    let browser = Browser::start();
    for page in ALL_PAGES {
        browser.open(page);
        assert!(browser.run("return document.querySelectorAll('button').length").as_u64() > Some(2), "the script ran");
        browser.run("document.querySelectorAll('details').forEach((part) => { part.open = true; })");
        let errors = browser.log("browser");
        assert!(errors.is_empty(), "{page}: {errors:?}");
        let own = format!("file://{}", reports().join(page).display());
        let asked: Vec<String> = browser
            .log("performance")
            .iter()
            .filter_map(|entry| serde_json::from_str::<Value>(entry["message"].as_str()?).ok())
            .filter(|entry| entry["message"]["method"] == "Network.requestWillBeSent")
            .filter_map(|entry| Some(entry["message"]["params"]["request"]["url"].as_str()?.to_owned()))
            .collect();
        assert_eq!(asked, [own], "{page} asks for itself only");
        // The policy stops any other script and any style, image or request.
        browser.run("const other = document.createElement('script'); other.textContent = 'window.other = 1'; document.body.append(other); fetch('https://example.org').catch(() => {});");
        assert_eq!(browser.run("return window.other ?? 0"), json!(0), "{page}: no other script runs");
        assert!(!browser.log("browser").is_empty(), "{page}: the policy says so");
    }
}

/// The cells of a table's body, and its header's `aria-sort`.
const STATE: &str = "const table = document.querySelector('#criteria ~ details table'); return { \
    rows: [...table.tBodies[0].rows].map((row) => [...row.cells].map((cell) => cell.textContent)), \
    sort: [...table.tHead.rows[0].cells].map((head) => head.getAttribute('aria-sort')) };";

#[test]
fn tables_sort_by_pointer_and_keyboard_and_come_back() {
    if !wanted() {
        return;
    }
    let browser = Browser::start();
    browser.open("review.html");
    browser.run("document.querySelector('#criteria ~ details').open = true");
    let first = browser.run(STATE);
    let month = |state: &Value| -> Vec<f64> {
        let rows = state["rows"].as_array().expect("rows");
        rows.iter().map(|row| row[1].as_str().expect("a month").parse().expect("a number")).collect()
    };
    assert!(!month(&first).is_sorted(), "the table comes by criterion");
    let button = "#criteria ~ details th:nth-child(2) button";
    browser.click(button);
    let up = browser.run(STATE);
    assert!(month(&up).is_sorted() && up["sort"][1] == "ascending", "{up}");
    browser.keys(button, "\u{E007}");
    let down = browser.run(STATE);
    assert!(month(&down).iter().rev().is_sorted() && down["sort"][1] == "descending", "{down}");
    assert_ne!(down["rows"], first["rows"]);
    browser.keys(button, " ");
    assert_eq!(browser.run(STATE), first, "the third time gives the first order back");
    assert_eq!(browser.run("return document.querySelector('[role=status]').textContent"), "Month: as it came");

    // Where a level's name stands for several rows, every row gets it while sorted.
    let levels = "const table = document.querySelector('#endpoint-retention_loss ~ .scroll:has(th[scope=rowgroup]) ~ .scroll table'); const button = table.tHead.rows[0].cells[4].querySelector('button'); button.click(); return [...table.tBodies[0].rows].map((row) => [...row.cells].map((cell) => cell.textContent));";
    let rows = browser.run(levels);
    let survivals: Vec<f64> = rows
        .as_array()
        .expect("rows")
        .iter()
        .filter(|row| row.as_array().is_some_and(|cells| cells.len() == 9))
        .filter_map(|row| row[4].as_str()?.split(' ').next()?.parse().ok())
        .collect();
    assert!(survivals.len() > 5 && survivals.is_sorted(), "{rows}");
}

#[test]
fn tables_are_copied_for_a_spreadsheet() {
    if !wanted() {
        return;
    }
    let browser = Browser::start();
    browser.open("review.html");
    browser.command("Browser.grantPermissions", &json!({"permissions": ["clipboardReadWrite", "clipboardSanitizedWrite"]}));
    browser.click("#recalls ~ button.copy");
    let read = "const done = arguments[arguments.length - 1]; setTimeout(() => navigator.clipboard.readText().then(done, (error) => done(String(error))), 200);";
    let copied = browser.post("execute/async", &json!({"script": read, "args": []}));
    let copied: Vec<Vec<&str>> = copied.as_str().expect("text").lines().map(|line| line.split('\t').collect()).collect();
    let results = results();
    let recalls = results["recalls"].as_array().expect("recalls");
    assert_eq!(copied.len(), recalls.len() + 1, "{copied:?}");
    for (line, recall) in copied[1..].iter().zip(recalls) {
        assert_eq!(line.len(), copied[0].len());
        assert_eq!(line[0], recall["months"].to_string());
        assert!(line[3].starts_with(&recall["seen"].to_string()), "{line:?}");
    }
}

/// What the results say of a curve on a day, as the page words it.
fn survival_on(group: &Value, day: i64) -> String {
    let points = group["curve"].as_array().expect("a curve");
    let last = points.iter().rev().find(|point| point["day"].as_i64().expect("a day") <= day);
    last.map_or_else(|| "100.0".to_owned(), |point| format!("{:.1}", point["survival"].as_f64().expect("a share") * 100.0))
}

#[test]
fn curves_are_read_by_pointer_and_keyboard() {
    if !wanted() {
        return;
    }
    let browser = Browser::start();
    browser.open("review.html");
    let results = results();
    let endpoint = &results["endpoints"][0];
    let name = endpoint["name"].as_str().expect("a name").replace('_', "-");
    let groups = endpoint["factors"][0]["groups"].as_array().expect("groups");
    let figure =
        format!("figure[data-chart=\"survival-{name}-by-{}\"]", endpoint["factors"][0]["factor"].as_str().expect("a name"));
    let slider = format!("{figure} + .reading input");
    let state = format!(
        "const box = document.querySelector('{figure} + .reading'); return {{ day: Number(box.querySelector('input').value), told: box.querySelector('input').getAttribute('aria-valuetext'), list: [...box.querySelectorAll('li')].map((item) => item.textContent) }};"
    );
    let check = |state: &Value| {
        let day = state["day"].as_i64().expect("a day");
        let list = state["list"].as_array().expect("levels");
        assert_eq!(list.len(), groups.len());
        for (said, group) in list.iter().zip(groups) {
            let said = said.as_str().expect("text");
            let label = group["label"].as_str().expect("a label");
            if day <= group["drawn_to_day"].as_i64().expect("a day") {
                assert!(said.starts_with(&format!("{label}: {} % (", survival_on(group, day))), "day {day}: {said}");
                assert!(said.contains("at risk"), "{said}");
            } else {
                assert!(said.contains("too few at risk"), "{said}");
            }
        }
        assert!(state["told"].as_str().is_some_and(|told| told.contains("years") && told.contains('%')), "{state}");
        day
    };
    // By keyboard: two years and a month on.
    browser.keys(&slider, "\u{E00E}\u{E00E}\u{E014}");
    let read = browser.run(&state);
    assert_eq!(check(&read), 2 * 365 + 30);
    browser.keys(&slider, "\u{E010}");
    check(&browser.run(&state));
    // By pointer: to the right means later.
    let mut days = Vec::new();
    for part in [0.3, 0.45, 0.6] {
        browser.run(&format!("document.querySelector('{figure}').scrollIntoView({{block: 'center'}})"));
        let at = browser.run(&format!("const box = document.querySelector('{figure} svg').getBoundingClientRect(); return [Math.round(box.left + {part} * box.width), Math.round(box.top + box.height / 2)];"));
        let move_to = json!({"type": "pointerMove", "duration": 0, "x": at[0], "y": at[1], "origin": "viewport"});
        let actions = json!({"actions": [{"type": "pointer", "id": "mouse", "parameters": {"pointerType": "mouse"}, "actions": [move_to]}]});
        browser.post("actions", &actions);
        days.push(check(&browser.run(&state)));
    }
    assert!(days[0] > 0 && days[0] < days[1] && days[1] < days[2], "{days:?}");
    // The dots stand on the curves.
    let dots = browser.run(&format!("return [...document.querySelectorAll('{figure} circle.dot')].filter((dot) => dot.getAttribute('visibility') === 'visible').map((dot) => Number(dot.getAttribute('cy')));"));
    assert!(dots.as_array().is_some_and(|dots| !dots.is_empty()), "{dots}");
    browser.picture("reading", false);
    let all = browser.run("return [document.querySelectorAll('figure[data-chart^=survival]').length, document.querySelectorAll('.reading').length]");
    assert!(all[0] == all[1], "every survival chart can be read: {all}");
}

/// What a checker of accessibility would look for, as a list of what is wrong.
const WRONG: &str = r#"
const wrong = [];
const say = (what, element) => wrong.push(`${what}: ${element.outerHTML.slice(0, 120)}`);
if (!document.documentElement.lang) wrong.push("no language");
if (!document.title) wrong.push("no title");
if (document.querySelectorAll("h1").length !== 1) wrong.push("not one h1");
if (document.querySelectorAll("main").length !== 1) wrong.push("not one main part");
let level = 0;
for (const heading of document.querySelectorAll("h1, h2, h3, h4, h5, h6")) {
  const next = Number(heading.tagName[1]);
  if (next > level + 1) say("a level of headings is passed over", heading);
  if (!heading.textContent.trim()) say("an empty heading", heading);
  level = next;
}
const named = (element) => (element.getAttribute("aria-label") ?? "").trim() || element.textContent.trim()
  || (element.labels && [...element.labels].map((label) => label.textContent).join("").trim());
for (const control of document.querySelectorAll("button, a[href], input, summary, [role=group], nav, section")) {
  if (control.tagName !== "SECTION" && !named(control)) say("no name", control);
  if (control.tabIndex > 0) say("out of order", control);
}
for (const link of document.querySelectorAll("a[href^='#']")) {
  if (!document.getElementById(decodeURIComponent(link.getAttribute("href").slice(1)))) say("leads nowhere", link);
}
const ids = [...document.querySelectorAll("[id]")].map((element) => element.id);
for (const id of ids) if (ids.filter((other) => other === id).length > 1) wrong.push(`id twice: ${id}`);
for (const picture of document.querySelectorAll("svg")) {
  const names = (picture.getAttribute("aria-labelledby") ?? "").split(" ").filter(Boolean);
  if (picture.getAttribute("role") !== "img" || names.length < 2 || !names.every((id) => document.getElementById(id)?.textContent.trim())) say("a picture without words", picture);
}
for (const table of document.querySelectorAll("table")) {
  if (!table.caption?.textContent.trim()) say("no caption", table);
  for (const head of table.querySelectorAll("th")) if (!head.scope) say("a header of what", head);
  if (![...table.tHead.rows[0].cells].every((cell) => cell.tagName === "TH" && cell.textContent.trim())) say("an empty header", table);
}
for (const part of document.querySelectorAll(".scroll, figure")) {
  if (part.scrollWidth > part.clientWidth + 1 && part.tabIndex !== 0) say("can't be moved by keyboard", part);
}
for (const button of document.querySelectorAll("button, nav a")) {
  const box = button.getBoundingClientRect();
  if (box.height > 0 && box.height < 24) say(`too small to hit (${box.height})`, button);
}
const parts = (colour) => { const found = colour.match(/[\d.]+/g).map(Number); return found.length === 3 ? [...found, 1] : found; };
const light = (colour) => {
  const [r, g, b] = colour.slice(0, 3).map((part) => part / 255).map((part) => (part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
};
const behind = (element) => {
  for (let at = element; at; at = at.parentElement) {
    const colour = parts(getComputedStyle(at).backgroundColor);
    if (colour[3] === 1) return colour;
    if (colour[3] > 0) say("a background that can be seen through", at);
  }
  return [255, 255, 255, 1];
};
const walker = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
let texts = 0;
for (let node = walker.nextNode(); node; node = walker.nextNode()) {
  const element = node.parentElement;
  if (!node.textContent.trim() || element.closest("svg, .said") || !element.getClientRects().length) continue;
  const style = getComputedStyle(element);
  const [front, back] = [light(parts(style.color)), light(behind(element))];
  const ratio = (Math.max(front, back) + 0.05) / (Math.min(front, back) + 0.05);
  const size = parseFloat(style.fontSize);
  const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
  texts += 1;
  if (ratio < (large ? 3 : 4.5)) say(`contrast ${ratio.toFixed(2)}`, element);
  if (size < 12) say(`letters of ${size} px`, element);
}
if (texts < 50) wrong.push(`only ${texts} texts seen`);
if (document.documentElement.scrollWidth > innerWidth) wrong.push(`wider than the screen: ${document.documentElement.scrollWidth} of ${innerWidth}`);
return [...new Set(wrong)];
"#;

#[test]
fn pages_are_readable_for_everybody() {
    if !wanted() {
        return;
    }
    let browser = Browser::start();
    for (name, width, height, mobile, scheme) in [
        ("desktop", 1280, 900, false, "light"),
        ("desktop-dark", 1280, 900, false, "dark"),
        ("phone", 390, 844, true, "light"),
        ("phone-dark", 390, 844, true, "dark"),
        ("narrow", 320, 640, true, "light"),
    ] {
        browser.size(width, height, mobile);
        browser.media("screen", scheme);
        for page in ALL_PAGES {
            browser.open(page);
            browser.picture(&format!("{}-{name}", page.replace(['/', '.'], "-")), true);
            browser.run("document.querySelectorAll('details').forEach((part) => { part.open = true; })");
            let wrong = browser.run(WRONG);
            assert_eq!(wrong, json!([]), "{page}, {name}");
        }
    }
    // The check notices: grey on grey, an empty button, a level passed over.
    browser.run("const bad = document.createElement('div'); bad.innerHTML = '<h5>x</h5><button></button><p id=bad>grey</p>'; document.querySelector('main').append(bad); document.getElementById('bad').style.color = '#bbb';");
    let wrong = browser.run(WRONG).to_string();
    for found in ["passed over", "no name", "contrast"] {
        assert!(wrong.contains(found), "{found} is not noticed: {wrong}");
    }
}

/// An accessibility checker that others keep (axe-core, MPL 2.0, from npm) finds nothing serious. Runs where `MANEBIT_CHECKER` names its
/// `axe.min.js`; it is no part of the program or of its tests' own files.
#[test]
fn an_accessibility_checker_finds_nothing_serious() {
    let Some(checker) = std::env::var_os("MANEBIT_CHECKER").filter(|_| wanted()) else { return };
    let checker = std::fs::read_to_string(checker).expect("the checker");
    let browser = Browser::start();
    for (width, height, mobile, scheme) in [(1280, 900, false, "light"), (390, 844, true, "dark")] {
        browser.size(width, height, mobile);
        browser.media("screen", scheme);
        for page in ALL_PAGES {
            browser.open(page);
            browser.run("document.querySelectorAll('details').forEach((part) => { part.open = true; })");
            browser.run(&checker);
            let serious = browser.run(
                "return axe.run().then((found) => found.violations.filter((one) => ['serious', 'critical'].includes(one.impact)).map((one) => `${one.id}: ${one.nodes.length} times, first ${one.nodes[0].html.slice(0, 120)}`))",
            );
            assert_eq!(serious, json!([]), "{page}, {width} wide, {scheme}");
        }
    }
    // The checker notices a picture without a text.
    browser.run("const bad = new Image(); document.querySelector('main').append(bad);");
    let found = browser.run("return axe.run().then((found) => found.violations.map((one) => one.id))").to_string();
    assert!(found.contains("image-alt"), "{found}");
}

/// Everything can be read where no script runs.
#[test]
fn pages_are_read_without_the_script_too() {
    if !wanted() {
        return;
    }
    let browser = Browser::start();
    let words = "return document.querySelector('main').textContent.replace(/Copy table/g, '').replace(/\\s+/g, ' ')";
    for page in ALL_PAGES {
        browser.command("Emulation.setScriptExecutionDisabled", &json!({"value": true}));
        browser.open(page);
        let tables = browser.run("return document.querySelectorAll('table').length").as_u64();
        assert!(tables > Some(0), "{page}");
        assert_eq!(browser.run("return document.querySelectorAll('button').length"), 0, "no button that does nothing");
        let without = browser.run(words);
        browser.command("Emulation.setScriptExecutionDisabled", &json!({"value": false}));
        browser.open(page);
        browser.run("document.querySelectorAll('.reading').forEach((part) => part.remove())");
        assert_eq!(browser.run(words), without, "{page}");
    }
}

#[test]
fn the_first_part_prints_on_three_pages_at_most_and_no_chart_is_cut() {
    if !wanted() {
        return;
    }
    let browser = Browser::start();
    for (paper, width, height) in [("a4", 8.27, 11.69), ("letter", 8.5, 11.0)] {
        for page in PAGES {
            browser.media("print", "light");
            // What stands between the margins (14 mm left and right, 15 and 17 mm above and below) in pixels of 1/96 inch.
            let inside = |inches: f64, margins: f64| (inches * 96.0 - margins / 25.4 * 96.0).floor();
            let (wide, tall) = (inside(width, 28.0), inside(height, 32.0));
            browser.size(wide as u32, tall as u32, false);
            browser.open(page);
            let tallest = browser.run("return Math.max(...[...document.querySelectorAll('figure')].map((figure) => figure.getBoundingClientRect().height))");
            assert!(tallest.as_f64().expect("a height") < tall, "{page}: a chart of {tallest} on {tall}");
            assert_eq!(browser.run("return [...document.querySelectorAll('figure, tr')].filter((part) => getComputedStyle(part).breakInside !== 'avoid').length"), 0);
            assert_eq!(browser.run("return [...document.querySelectorAll('button.copy, .reading, nav')].filter((part) => getComputedStyle(part).display !== 'none').length"), 0);
            browser.command("Emulation.clearDeviceMetricsOverride", &json!({}));
            browser.media("", "light");
            let name = page.replace(['/', '.'], "-");
            let whole = browser.print(width, height);
            keep(&format!("{name}-{paper}.pdf"), &whole);
            browser.run("document.querySelector('.more').remove()");
            let first = browser.print(width, height);
            keep(&format!("{name}-{paper}-first.pdf"), &first);
            let (first, whole) = (page_count(&first), page_count(&whole));
            assert!((1..=3).contains(&first), "{page} on {paper}: the first part takes {first} pages");
            assert!(whole > first, "{page} on {paper}: {whole} pages in all");
        }
    }
}
