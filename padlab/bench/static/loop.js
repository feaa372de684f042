"use strict";
// One quantity (up) against another (across), point by point as they come. The frame grows by steps, so that
// the drawing is made anew seldom; between that only new points are added. Points wait for the next picture;
// of a batch each picture takes its share, so that the line runs on evenly between two batches.
class Loop {
  constructor(canvas) {
    this.canvas = canvas;
    this.points = [];          // x, y, x, y, ...
    this.waiting = [];
    this.drawn = 0;            // numbers of this.points that are on the picture
    this.pictures = 0;         // pictures in which something new was drawn
    this.box = null;
    this.thou = false;
    this.axes = ["displacement", "force"];
    const again = () => this.redraw();
    new ResizeObserver(again).observe(canvas);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  }

  clear(axes) { this.axes = axes || this.axes; this.points = []; this.waiting = []; this.box = null; this.redraw(); }

  // A tab in the background draws nothing: then the newest wait, as many as are kept.
  add(points) {
    for (const v of points) this.waiting.push(v);
    if (this.waiting.length > 40000) this.waiting.splice(0, this.waiting.length - 24000);
  }

  // One picture: a quarter of what waits, all of it where much has gathered. True while more waits.
  picture() {
    const waits = this.waiting.length / 2;
    if (!waits) return false;
    const now = waits > 400 ? waits : Math.max(1, Math.ceil(waits / 4));
    for (const v of this.waiting.splice(0, 2 * now)) this.points.push(v);
    if (this.points.length > 40000) { this.points.splice(0, this.points.length - 24000); this.box = null; }
    if (this.fits()) this.extend(); else this.redraw();
    this.pictures += 1;
    return this.waiting.length > 0;
  }

  fits() {
    if (!this.box) return false;
    for (let i = this.drawn; i < this.points.length; i += 2) {
      const x = this.points[i], y = this.points[i + 1];
      if (x < this.box.x0 || x > this.box.x1 || y < this.box.y0 || y > this.box.y1) return false;
    }
    return true;
  }

  frame() {
    let x0 = Infinity, x1 = -Infinity, y0 = Infinity, y1 = -Infinity;
    for (let i = 0; i < this.points.length; i += 2) {
      const x = this.points[i], y = this.points[i + 1];
      if (x < x0) x0 = x;
      if (x > x1) x1 = x;
      if (y < y0) y0 = y;
      if (y > y1) y1 = y;
    }
    if (!(x1 >= x0)) { x0 = x1 = y0 = y1 = 0; }
    if (this.axes[1] === "force") { y0 = Math.min(0, y0); y1 = Math.max(1, y1); }
    if (this.axes[0] === "time") x1 = Math.max(x1, x0 + 10);
    if (x1 - x0 < 0.001) { x0 -= 0.1; x1 += 0.1; }
    if (y1 - y0 < 0.001) { y0 -= 0.1; y1 += 0.1; }
    const w = x1 - x0, h = y1 - y0;
    return { x0: x0 - 0.08 * w, x1: x1 + 0.15 * w, y0: y0 - 0.05 * h, y1: y1 + 0.15 * h };
  }

  static step(span) {                       // a round number, four to eight of them in the span
    const ten = 10 ** Math.floor(Math.log10(span / 4));
    return [1, 2, 5, 10].map((k) => k * ten).filter((k) => span / k <= 8)[0];
  }

  redraw() {
    const box = this.canvas.getBoundingClientRect(), ratio = Math.min(window.devicePixelRatio || 1, 2);
    if (!box.width) { this.box = null; this.pen = null; return; }
    this.canvas.width = Math.round(box.width * ratio);
    this.canvas.height = Math.round(box.height * ratio);
    this.pen = this.canvas.getContext("2d");
    this.pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    const style = getComputedStyle(document.documentElement), colour = (name) => style.getPropertyValue(name).trim();
    this.colour = { ink: colour("--ink"), soft: colour("--soft"), rule: colour("--rule"), line: colour("--within") };
    this.at = { left: 46, top: 10, width: box.width - 58, height: box.height - 46 };
    this.box = this.frame();
    this.rules();
    this.drawn = 0;
    this.extend();
  }

  x(v) { return this.at.left + this.at.width * (v - this.box.x0) / (this.box.x1 - this.box.x0); }
  y(v) { return this.at.top + this.at.height * (1 - (v - this.box.y0) / (this.box.y1 - this.box.y0)); }

  unit(axis) {
    return { displacement: this.thou ? [0.0254, "thou"] : [1, "mm"], force: [1, "N"], time: [1, "s"] }[axis];
  }

  rules() {
    const pen = this.pen, { left, top, width, height } = this.at;
    const [across, acrossUnit] = this.unit(this.axes[0]), [up, upUnit] = this.unit(this.axes[1]);
    pen.font = "12px system-ui, sans-serif";
    pen.lineWidth = 1;
    const lines = (from, to, each) => {
      const s = Loop.step(to - from);
      for (let k = Math.ceil(from / s); k * s <= to; k++) each(k * s, (k * s).toFixed(Math.max(0, -Math.floor(Math.log10(s) + 1e-9))));
    };
    pen.textAlign = "right"; pen.textBaseline = "middle";
    lines(this.box.y0 / up, this.box.y1 / up, (v, text) => {
      pen.strokeStyle = this.colour.rule; pen.fillStyle = this.colour.soft;
      pen.beginPath(); pen.moveTo(left, this.y(v * up)); pen.lineTo(left + width, this.y(v * up)); pen.stroke();
      pen.fillText(text, left - 6, this.y(v * up));
    });
    pen.textAlign = "center"; pen.textBaseline = "top";
    lines(this.box.x0 / across, this.box.x1 / across, (v, text) => pen.fillText(text, this.x(v * across), top + height + 6));
    pen.textAlign = "right";
    pen.fillText(`${this.axes[0]}, ${acrossUnit}`, left + width, top + height + 22);
    pen.textAlign = "left";
    pen.fillText(`${this.axes[1]}, ${upUnit}`, left + 6, top + 2);
  }

  extend() {
    if (!this.pen || !this.points.length) return;
    const pen = this.pen, from = Math.max(0, this.drawn - 2);
    pen.strokeStyle = this.colour.line; pen.lineWidth = 1.6; pen.lineJoin = "round";
    pen.beginPath();
    for (let i = from; i < this.points.length; i += 2) {
      const x = this.x(this.points[i]), y = this.y(this.points[i + 1]);
      if (i === from) pen.moveTo(x, y); else pen.lineTo(x, y);
    }
    pen.stroke();
    this.drawn = this.points.length;
  }
}
