// Encodes messages of Sparkplug B with the package sparkplug-payload: JSON lines in, base64 lines out.
"use strict";
const readline = require("node:readline");
const spb = require("sparkplug-payload").get("spBv1.0");

readline.createInterface({ input: process.stdin }).on("line", (line) => {
  const asked = JSON.parse(line);
  const payload = { metrics: asked.metrics.map(metric) };
  if (asked.timestamp !== null) payload.timestamp = asked.timestamp;
  if (asked.seq !== null) payload.seq = asked.seq;
  process.stdout.write(Buffer.from(spb.encodePayload(payload)).toString("base64") + "\n");
});

function metric(one) {
  const made = { type: one.type, value: one.value };
  if (one.name) made.name = one.name;
  if (one.alias !== null) made.alias = one.alias;
  if (one.timestamp !== null) made.timestamp = one.timestamp;
  if (one.historical) made.isHistorical = true;
  if (one.quality !== null) {
    made.properties = { Quality: { type: "Int32", value: one.quality } };
  }
  return made;
}
