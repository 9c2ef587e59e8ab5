// Pictures for the README, from the sample report and a captured terminal screen.
import { readFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const here = dirname(fileURLToPath(import.meta.url));
const out = process.argv[2];
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--hide-scrollbars"],
});

const report = await browser.newPage({ viewport: { width: 1100, height: 1000 } });
await report.goto(pathToFileURL(join(here, "sample/report.html")).href);
await report.screenshot({ path: join(out, "report.png") });
await report.evaluate(() => document.getElementById("traces").scrollIntoView());
const over = await report.locator(".u-over").first().boundingBox();
await report.mouse.move(over.x + over.width * 0.35, over.y + over.height / 2);
await report.screenshot({ path: join(out, "traces.png") });

// The few escape sequences that the view uses: bold, faint, reversed, and the end of each.
const escaped = (text) => text.replaceAll("&", "&amp;").replaceAll("<", "&lt;");
let [bold, faint, reversed] = [false, false, false];
const html = readFileSync(join(here, "watch.txt"), "utf8")
  .split(/\x1b\[([\d;]*)m/)
  .map((part, i) => {
    if (i % 2 === 0) {
      const style = (bold ? "font-weight:700;" : "") + (faint ? "opacity:.7;" : "") + (reversed ? "background:#ddd;color:#111;" : "");
      return `<span style="${style}">${escaped(part)}</span>`;
    }
    for (const code of part.split(";")) {
      if (code === "" || code === "0") bold = faint = reversed = false;
      if (code === "1") bold = true;
      if (code === "2") faint = true;
      if (code === "7") reversed = true;
      if (code === "22") bold = faint = false;
      if (code === "27") reversed = false;
    }
    return "";
  })
  .join("");
const terminal = await browser.newPage({ viewport: { width: 1000, height: 600 } });
await terminal.setContent(
  `<pre style="display:inline-block;margin:0;padding:14px;background:#15181b;color:#e8e9e6;font:15px/1.2 'DejaVu Sans Mono',monospace">${html}</pre>`,
);
await terminal.locator("pre").screenshot({ path: join(out, "watch.png") });
await browser.close();
