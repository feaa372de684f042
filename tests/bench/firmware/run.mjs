// A board with the firmware: a real MicroPython with simulated pins, behind a terminal or a pipe.
//
//   node run.mjs FIRMWARE FORCE PLACE OPTIONS
//
// FORCE and PLACE are files of whole numbers of four bytes, one a millisecond; OPTIONS is JSON for
// simulated/play.py and, for the cable: "fd" (a terminal's own side, not blocking; without it what the
// board tells goes to standard output as it comes), "speed" (simulated seconds in one of the host's),
// "flip" ([line, byte from its end, mask]: damage on the way). Over a terminal the board gets its power when the
// first byte comes. The last word, on standard error, is "the story is over".
import { closeSync, readSync, readFileSync, readdirSync, writeSync } from "node:fs";
import { loadMicroPython } from "@micropython/micropython-webassembly-pyscript";

const [firmware, force, place, text] = process.argv.slice(2);
const options = JSON.parse(text);
const { fd, speed = 0, flip } = options;
const doze = (ms) => Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, ms);

// -- the cable ---------------------------------------------------------------------------------------

const heard = [];
let lookedAt = -Infinity;
const bytes = Buffer.alloc(256);
const listen = () => {
  if (fd === undefined || performance.now() - lookedAt < 5) return;
  lookedAt = performance.now();
  try {
    heard.push(...bytes.subarray(0, readSync(fd, bytes, 0, bytes.length, null)));
  } catch (fault) {
    if (fault.code !== "EAGAIN") throw fault;
  }
};

let line = [];
let lines = 0;
const tell = (piece) => {
  for (const byte of piece) {
    line.push(byte);
    if (byte !== 10) continue;
    const whole = Buffer.from(line);
    if (flip && flip[0] === lines) whole[whole.length + flip[1]] ^= flip[2];
    lines += 1;
    line = [];
    for (let sent = 0; sent < whole.length; ) {
      try {
        sent += writeSync(fd ?? 1, whole, sent);
      } catch (fault) {
        if (fault.code !== "EAGAIN") throw fault;
        doze(2);
      }
    }
  }
};

// -- the board ---------------------------------------------------------------------------------------

const board = await loadMicroPython({ pystack: 16 * 1024, heapsize: 8 * 1024 * 1024, linebuffer: false, stdout: tell });
let poweredAt;
board.registerJsModule("host", {
  waits: () => { listen(); return heard.length > 0; },
  heard: () => heard.shift() ?? -1,
  passed: (ms) => {
    const ahead = speed ? poweredAt + ms / speed - performance.now() : 0;
    if (ahead > 4) doze(ahead);
  },
});
for (const folder of ["/simulated", "/firmware", "/story"]) board.FS.mkdir(folder);
const simulated = new URL("simulated/", import.meta.url);
for (const name of readdirSync(simulated)) {
  if (name.endsWith(".py")) board.FS.writeFile(`/simulated/${name}`, readFileSync(new URL(name, simulated)));
}
board.FS.writeFile("/firmware/main.py", readFileSync(firmware));
board.FS.writeFile("/story/force", readFileSync(force));
board.FS.writeFile("/story/place", readFileSync(place));
while (fd !== undefined && heard.length === 0) { listen(); doze(5); }
poweredAt = performance.now();
board.globals.set("options", text);
try {
  board.runPython(`
import sys
sys.path[:0] = ["/simulated", "/firmware"]
import play
play.play(options)
`);
  process.stderr.write("the story is over\n");
} catch (fault) {
  process.stderr.write(`${fault.message}\n`);
  process.exitCode = 1;
}
if (fd !== undefined) closeSync(fd);
