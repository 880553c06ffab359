// Traces in general tools: packets as tshark lists them with the reader of docs/traces, the waveform
// dump converted by vcd2fst, the columns as read by hyparquet. All against slots.csv.
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import fs from "node:fs";
import os from "node:os";
import path from "node:path";
import { test } from "node:test";
import { fileURLToPath } from "node:url";
import { parquetReadObjects } from "hyparquet";

const [, folder] = process.env.REPORT_TEST.split("\n");
const at = (name) => path.join(folder, name);

// No name in the exercise has a comma or a quote.
const lines = fs.readFileSync(at("slots.csv"), "utf8").trimEnd().split("\n");
const columns = lines[0].split(",");
const rows = lines.slice(1).map((line) => {
  const cells = line.split(",");
  assert.equal(cells.length, columns.length, line);
  return Object.fromEntries(columns.map((column, i) => [column, cells[i]]));
});

test("tshark reads every packet with the reader of docs/traces", () => {
  assert.ok(rows.length > 7000);
  const fields = ["frame.time_epoch", "frame.interface_name", "hopwright.station", "hopwright.address",
    "hopwright.channel", "hopwright.frequency_hz", "hopwright.slot", "hopwright.over", "hopwright.content",
    "hopwright.word", "hopwright.waited", "hopwright.heard", "hopwright.interfered", "hopwright.bits"];
  const reader = fileURLToPath(new URL("../../docs/traces/hopwright.lua", import.meta.url));
  const out = execFileSync("tshark", ["-r", at("trace.pcapng"), "-X", `lua_script:${reader}`, "-T", "fields",
    "-E", "separator=|", ...fields.flatMap((field) => ["-e", field])],
  { encoding: "utf8", maxBuffer: 1 << 26, stdio: ["ignore", "pipe", "ignore"] });
  const read = out.trimEnd().split("\n").map((line) => line.split("|"));
  assert.equal(read.length, rows.length);
  read.forEach((cells, i) => {
    const row = rows[i];
    const [seconds, fraction] = cells[0].split(".");
    const told = [
      String(BigInt(seconds) * 1_000_000n + BigInt(fraction.slice(0, 6))), cells[1], cells[2],
      Number(cells[3]).toString(16).toUpperCase().padStart(2, "0"), cells[4], cells[5], cells[6], cells[7],
      ["sync-header", "traffic-header", "payload"][Number(cells[8])],
      Number(cells[9]).toString(16).padStart(8, "0"), cells[10], cells[11],
      /^(1|True)$/.test(cells[12]) ? "1" : "0", cells[13].replaceAll(":", ""),
    ];
    assert.deepEqual(told, [row.time_us, `lane ${row.lane}`, row.station, row.address, row.channel,
      row.frequency_hz, row.slot, row.over, row.content, row.word, row.waited, row.heard, row.interfered,
      row.bits], `packet ${i + 1}`);
  });
});

test("vcd2fst takes the waveforms", () => {
  const fst = path.join(fs.mkdtempSync(path.join(os.tmpdir(), "waves-")), "trace.fst");
  execFileSync("vcd2fst", ["-v", at("trace.vcd"), "-f", fst], { stdio: "pipe" });
  const back = execFileSync("fst2vcd", ["-f", fst], { encoding: "utf8", maxBuffer: 1 << 28 });
  const ids = (text) => text.match(/^\$var .*$/gm).length;
  const dump = fs.readFileSync(at("trace.vcd"), "utf8");
  assert.equal(ids(back), ids(dump));
  // Times and values survive the way there and back.
  const times = (text) => text.match(/^#\d+$/gm);
  assert.deepEqual(times(back), times(dump));
  const keys = (text) => text.match(/^1\S+$/gm).length;
  assert.equal(keys(back), keys(dump));
  assert.equal(keys(dump), rows.length, "every transmission is keyed once");
});

test("hyparquet reads the columns", async () => {
  const bytes = fs.readFileSync(at("slots.parquet"));
  const file = bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.byteLength);
  const read = await parquetReadObjects({ file });
  assert.equal(read.length, rows.length);
  read.forEach((record, i) => {
    const text = Object.fromEntries(Object.entries(record).map(([key, value]) =>
      [key, value === null || value === undefined ? "" : String(value)]));
    assert.deepEqual(text, rows[i], `row ${i + 1}`);
  });
});
