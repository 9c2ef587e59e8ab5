// What a person does with a report, done by a driver, and what must then be seen. Chromium is the
// system's own; nothing here reaches a network.
import assert from "node:assert/strict";
import { readFileSync, readdirSync, statSync, writeFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const here = dirname(fileURLToPath(import.meta.url));
const axe = readFileSync(join(here, "node_modules/axe-core/axe.min.js"), "utf8");
const sample = join(here, "sample/report.html");
const hostile = join(here, "hostile/report.html");
const card = join(here, "card/card.html");
// The pages without scripts, each with words that must stand on its first screen.
const plain = {
  diagnosis: ["diagnosis/diagnosis.html", ["Most probable", "Look at this next", "What stands out most"]],
  trend: ["trend/trend.html", ["How the coupling is doing"]],
  find: ["find/decoder.html", ["Wheel speeds found"]],
};
const pictures = process.env.PICTURES;

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--hide-scrollbars"],
});

// A page on which every complaint and every request beyond the file itself is remembered.
async function open(file, options = {}) {
  const context = await browser.newContext({ viewport: { width: 1280, height: 900 }, ...options });
  const page = await context.newPage();
  // A busy machine may take its time; how long the page itself takes is measured on its own.
  page.setDefaultTimeout(120_000);
  const complaints = [];
  page.on("console", (message) => ["error", "warning"].includes(message.type()) && complaints.push(message.text()));
  page.on("pageerror", (error) => complaints.push(String(error)));
  page.on("dialog", (dialog) => complaints.push("dialog: " + dialog.message()) && dialog.dismiss());
  const address = pathToFileURL(file).href;
  page.on("request", (request) => {
    const known = request.url().split("#")[0] === address || request.url().startsWith("data:");
    if (!known) complaints.push("request: " + request.url());
  });
  await page.goto(address);
  const close = async () => {
    assert.deepEqual(complaints, []);
    await context.close();
  };
  return { page, close };
}

async function picture(page, name, options = {}) {
  if (pictures) await page.screenshot({ path: join(pictures, name + ".png"), ...options });
}

// WCAG 2.2 A and AA as axe-core checks them.
async function accessible(page) {
  await page.evaluate(axe);
  const found = await page.evaluate(() =>
    window.axe.run({ runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }),
  );
  const grave = found.violations.filter((v) => ["serious", "critical"].includes(v.impact));
  const told = grave.map((v) => `${v.id}: ${v.nodes.map((n) => n.target.join(" ") + " " + n.failureSummary).join("; ")}`);
  assert.deepEqual(told, []);
}

const text = (page, id) => page.locator("#" + id).innerText();
const shown = async (page) => {
  const ends = (await text(page, "viewer-range")).replaceAll("\u2212", "-").match(/-?\d+\.\d+/g).map(Number);
  return ends[1] - ends[0];
};
const seconds = (words) => Number(words.replaceAll("\u2212", "-").match(/-?\d+\.\d+/)[0]);

// The words over a panel, by the side's name.
const reading = (page, panel, side) =>
  page.locator(".panel").nth(panel).locator(".panel-value").nth(side).innerText();

const checks = {
  async "the page opens in under a second and is small"() {
    assert.ok(statSync(sample).size < 5_000_000, String(statSync(sample).size));
    const times = [];
    for (let i = 0; i < 3; i++) {
      const { page, close } = await open(sample);
      times.push(await page.evaluate(() => performance.getEntriesByType("navigation")[0].loadEventEnd));
      await close();
    }
    console.log(`   ${statSync(sample).size} bytes, loaded in ${times.map(Math.round).join(", ")} ms`);
    // The machine may be busy with something else; the best of three says what the page needs.
    assert.ok(Math.min(...times) < 1000, String(times));
  },

  async "the first screen answers"() {
    const { page, close } = await open(sample);
    await picture(page, "first-screen");
    for (const id of ["verdict-heading", "numbers-heading"]) {
      const box = await page.locator("#" + id).boundingBox();
      assert.ok(box.y < 900, id);
    }
    for (const words of ["Peak slip", "Engagement delay", "Transfer fraction", "95 % interval"]) {
      assert.ok((await page.locator(".cards").innerText()).includes(words), words);
    }
    await picture(page, "whole", { fullPage: true });
    await close();
  },

  async "a cursor reads every signal at one moment"() {
    const { page, close } = await open(sample);
    const over = page.locator(".u-over").first();
    await over.scrollIntoViewIfNeeded();
    const box = await over.boundingBox();
    const panels = await page.locator(".panel").count();
    assert.ok(panels >= 3, String(panels));
    const times = [];
    for (const share of [0.3, 0.6]) {
      await page.mouse.move(box.x + box.width * share, box.y + box.height / 2);
      times.push(seconds(await text(page, "viewer-time")));
      // The upright line stands at the same place in all of them.
      const lines = await page.locator(".u-cursor-x").evaluateAll((all) => all.map((e) => e.getBoundingClientRect().x));
      assert.ok(Math.max(...lines) - Math.min(...lines) < 1, String(lines));
    }
    assert.ok(times[1] > times[0]);
    // The words are those of the data at that time, here read anew from the page.
    const time = times[1];
    const expected = await page.evaluate((t) => {
      const data = JSON.parse(document.getElementById("trace-data").textContent);
      const engagement = data.engagements[document.getElementById("viewer-before").value];
      const [, [dt, dv]] = engagement.traces.find(([signal]) => signal === 0);
      let [at, value, best, least] = [0, 0, null, Infinity];
      dt.forEach((d, i) => {
        at += d;
        if (dv[i] !== null) value += dv[i];
        if (Math.abs(at / 1000 - t) < least) [least, best] = [Math.abs(at / 1000 - t), value * data.signals[0].step];
      });
      return best;
    }, time);
    const read = seconds(await reading(page, 0, 0));
    assert.ok(Math.abs(read - expected) < 0.1, `${read} ${expected}`);
    await picture(page, "cursor");
    await close();
  },

  async "traces zoom and move by mouse, by button and by key"() {
    const { page, close } = await open(sample);
    const over = page.locator(".u-over").first();
    await over.scrollIntoViewIfNeeded();
    const whole = await shown(page);
    const box = await over.boundingBox();
    const at = (share) => [box.x + box.width * share, box.y + box.height / 2];
    await page.mouse.move(...at(0.1));
    await page.mouse.down();
    await page.mouse.move(...at(0.2), { steps: 4 });
    await page.mouse.move(...at(0.35), { steps: 4 });
    await page.mouse.up();
    const dragged = await shown(page);
    assert.ok(Math.abs(dragged / whole - 0.25) < 0.02, `${whole} ${dragged}`);
    const before = await text(page, "viewer-range");
    await page.mouse.move(...at(0.5));
    await page.keyboard.down("Shift");
    await page.mouse.down();
    await page.mouse.move(...at(0.3), { steps: 4 });
    await page.mouse.up();
    await page.keyboard.up("Shift");
    assert.notEqual(await text(page, "viewer-range"), before);
    assert.ok(Math.abs((await shown(page)) - dragged) < 0.01);
    await page.keyboard.down("Control");
    await page.mouse.wheel(0, -200);
    await page.keyboard.up("Control");
    // The wheel is handed on by the browser in its own time.
    for (let i = 0; i < 100 && (await shown(page)) > 0.95 * dragged; i++) await page.waitForTimeout(50);
    assert.ok((await shown(page)) < 0.95 * dragged);
    await page.locator("#viewer-whole").click();
    assert.equal(await shown(page), whole);
    await page.locator("#viewer-in").click();
    assert.ok(Math.abs((await shown(page)) / whole - 0.5) < 0.02);
    await picture(page, "zoomed");
    await page.locator("#viewer-later").click();
    await page.locator("#viewer-out").focus();
    await page.keyboard.press("0");
    assert.equal(await shown(page), whole);
    await page.keyboard.press("+");
    assert.ok((await shown(page)) < whole);
    await page.locator("#viewer-cursor").focus();
    const t0 = seconds(await text(page, "viewer-time"));
    await page.keyboard.press("ArrowRight");
    assert.ok(seconds(await text(page, "viewer-time")) > t0);
    // Slip is not known at a standstill, so it may not be among the words; demand always is.
    const heard = await page.locator("#viewer-cursor").getAttribute("aria-valuetext");
    assert.match(heard, /from demand: .* before [^,]+, .* after /, heard);
    await page.keyboard.press("m");
    await page.keyboard.press("PageUp");
    assert.ok((await text(page, "viewer-time")).includes("from the pin"));
    const one = await page.locator("#viewer-before").inputValue();
    await page.locator("#viewer-next").click();
    assert.notEqual(await page.locator("#viewer-before").inputValue(), one);
    await page.locator("#viewer-behind").check();
    await picture(page, "behind");
    await close();
  },

  async "two engagements that are not timed alike never lie over each other"() {
    // The sample's are all timed from demand: every other one is told otherwise.
    const mixed = join(here, "sample/mixed.html");
    const told = readFileSync(sample, "utf8").replace(/(<script[^>]*id="trace-data"[^>]*>)([^<]*)/, (_, tag, json) => {
      const data = JSON.parse(json);
      data.engagements.forEach((e, i) => { if (i % 2) e.reference = "slip"; });
      return tag + JSON.stringify(data).replaceAll("<", "\\u003c");
    });
    writeFileSync(mixed, told);
    const { page, close } = await open(mixed);
    const offered = await page.evaluate(() => {
      const data = JSON.parse(document.getElementById("trace-data").textContent);
      const before = data.engagements[document.getElementById("viewer-before").value];
      return {
        kinds: new Set(data.engagements.map((e) => e.reference)).size,
        alike: [...document.getElementById("viewer-after").options].map((o) => data.engagements[o.value].reference === before.reference),
      };
    });
    assert.equal(offered.kinds, 2);
    assert.ok(offered.alike.length > 0 && offered.alike.every(Boolean), String(offered.alike));
    await close();
  },

  async "dark where the device is dark"() {
    const { page, close } = await open(sample, { colorScheme: "dark" });
    const paper = await page.evaluate(() => getComputedStyle(document.body).backgroundColor.match(/\d+/g).map(Number));
    assert.ok(Math.max(...paper) < 60, String(paper));
    await page.locator(".u-over").first().scrollIntoViewIfNeeded();
    await picture(page, "dark", { fullPage: true });
    await accessible(page);
    await close();
  },

  async "a phone's width needs no sideways scrolling"() {
    const { page, close } = await open(sample, { viewport: { width: 360, height: 740 }, isMobile: true, hasTouch: true, deviceScaleFactor: 2 });
    assert.ok((await page.evaluate(() => document.documentElement.scrollWidth)) <= 360);
    await picture(page, "phone");
    const over = page.locator(".u-over").first();
    await over.scrollIntoViewIfNeeded();
    await over.tap();
    assert.match(await text(page, "viewer-time"), /from/);
    await picture(page, "phone-traces");
    await accessible(page);
    await close();
  },

  async "nothing serious stands in anyone's way"() {
    const { page, close } = await open(sample);
    await accessible(page);
    await close();
  },

  async "complete without scripts"() {
    const { page, close } = await open(sample, { javaScriptEnabled: false });
    assert.ok(await page.locator("#seen svg").first().isVisible());
    assert.ok(!(await page.locator("#viewer").isVisible()));
    assert.ok((await page.locator("#traces").innerText()).includes("complete without"));
    await close();
  },

  async "prints on A4, the same with and without scripts"() {
    const counts = [];
    for (const javaScriptEnabled of [true, false]) {
      const { page, close } = await open(sample, { javaScriptEnabled });
      const path = pictures && javaScriptEnabled ? join(pictures, "print.pdf") : undefined;
      const pdf = await page.pdf({ preferCSSPageSize: true, path });
      const pages = pdf.toString("latin1").match(/\/Type\s*\/Page\b/g).length;
      const sizes = [...pdf.toString("latin1").matchAll(/\/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]/g)];
      assert.ok(sizes.length > 0);
      for (const [, width, height] of sizes) {
        const [short, long] = [Number(width), Number(height)].sort((a, b) => a - b);
        assert.ok(Math.abs(short - 595) < 2 && Math.abs(long - 842) < 2, `${width} ${height}`);
      }
      counts.push(pages);
      await close();
    }
    console.log(`   ${counts[0]} pages`);
    assert.equal(counts[0], counts[1]);
    assert.ok(counts[0] >= 6 && counts[0] <= 16, String(counts));
  },

  async "every other page answers on its first screen, whatever shows it"() {
    for (const [name, [file, words]] of Object.entries(plain)) {
      const path = join(here, file);
      const { page, close } = await open(path);
      for (const word of words) {
        const box = await page.getByText(word).first().boundingBox();
        assert.ok(box.y < 900, `${name}: ${word}`);
      }
      assert.ok(await page.locator("svg").first().isVisible(), name);
      await accessible(page);
      await picture(page, name, { fullPage: true });
      const pdf = (await page.pdf({ preferCSSPageSize: true })).toString("latin1");
      const pages = pdf.match(/\/Type\s*\/Page\b/g).length;
      console.log(`   ${name}: ${statSync(path).size} bytes, ${pages} pages`);
      assert.ok(pages <= 24, `${name}: ${pages}`);
      await close();
      const dark = await open(path, { colorScheme: "dark" });
      await accessible(dark.page);
      await picture(dark.page, name + "-dark", { fullPage: true });
      await dark.close();
      const phone = await open(path, { viewport: { width: 360, height: 740 }, isMobile: true, deviceScaleFactor: 2 });
      assert.ok((await phone.page.evaluate(() => document.documentElement.scrollWidth)) <= 360, name);
      await accessible(phone.page);
      await picture(phone.page, name + "-phone");
      await phone.close();
    }
  },

  async "the pictures beside a page are the page's"() {
    const page = await browser.newPage();
    const drawn = readdirSync(join(here, "diagnosis/pictures"));
    await page.goto(pathToFileURL(join(here, "diagnosis/diagnosis.html")).href);
    const sizes = await page.locator("svg").evaluateAll((all) => all.map((e) => [e.getAttribute("width"), e.getAttribute("height")].map(Number)));
    assert.equal(drawn.length, sizes.length);
    for (const [i, name] of drawn.sort().entries()) {
      const png = readFileSync(join(here, "diagnosis/pictures", name));
      // Width and height stand in the first chunk of a PNG file.
      assert.deepEqual([png.readUInt32BE(16), png.readUInt32BE(20)], sizes[i].map((px) => 2 * px), name);
    }
    await page.close();
  },

  async "the test card is one page that prints on one sheet"() {
    const { page, close } = await open(card);
    assert.ok((await page.locator("body").innerText()).includes("a change of"));
    await accessible(page);
    const pdf = await page.pdf({ preferCSSPageSize: true });
    assert.equal(pdf.toString("latin1").match(/\/Type\s*\/Page\b/g).length, 1);
    await picture(page, "card", { fullPage: true });
    await close();
  },

  async "names and words that look like markup are shown as they are"() {
    const { page, close } = await open(hostile);
    const words = await page.locator("body").innerText();
    assert.ok(words.includes("<img src=x onerror=alert(1)>\"'&amp;<script>alert(2)<script> before-1.pcapng.zst"));
    assert.ok(words.includes("</title><script>alert(3)</script><b>car</b>"));
    assert.equal(await page.title(), "Coupling before and after the work: </title><script>alert(3)</script><b>car</b>");
    assert.equal(await page.locator("img, h1 b").count(), 0);
    assert.equal(await page.locator("script").count(), 3);
    await close();
    const diagnosis = await open(join(here, "hostile/diagnosis.html"));
    const said = await diagnosis.page.locator("body").innerText();
    assert.ok(said.includes("<img src=x onerror=alert(1)>\"'&amp;<script>alert(2)<script> before-1.pcapng.zst"));
    assert.ok(said.includes("</title><script>alert(3)</script><b>car</b>"));
    assert.equal(await diagnosis.page.locator("img, h1 b, script").count(), 0);
    await diagnosis.close();
  },
};

let failed = 0;
for (const [name, check] of Object.entries(checks)) {
  try {
    await check();
    console.log(`ok ${name}`);
  } catch (error) {
    failed += 1;
    console.log(`FAILED ${name}\n${error.stack}`);
  }
}
await browser.close();
process.exit(failed ? 1 : 0);
