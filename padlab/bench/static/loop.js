"use strict";
// Force (up) against displacement (across), point by point as they come. The frame grows by steps, so that
// the drawing is made anew seldom; between that only new points are added.
class Loop {
  constructor(canvas) {
    this.canvas = canvas;
    this.points = [];
    this.drawn = 0;
    this.box = null;
    this.thou = false;
    const again = () => this.redraw();
    new ResizeObserver(again).observe(canvas);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  }

  clear() { this.points = []; this.box = null; this.redraw(); }

  add(points) {
    for (const p of points) this.points.push(p);
    if (this.points.length > 16000) { this.points.splice(0, this.points.length - 8000); this.box = null; }
    if (this.fits()) this.extend(); else this.redraw();
  }

  fits() {
    if (!this.box) return false;
    for (let i = this.drawn; i < this.points.length; i++) {
      const [x, y] = this.points[i];
      if (x < this.box.x0 || x > this.box.x1 || y < this.box.y0 || y > this.box.y1) return false;
    }
    return true;
  }

  frame() {
    let x0 = Infinity, x1 = -Infinity, y0 = 0, y1 = 1;
    for (const [x, y] of this.points) {
      if (x < x0) x0 = x;
      if (x > x1) x1 = x;
      if (y < y0) y0 = y;
      if (y > y1) y1 = y;
    }
    if (!(x1 > x0)) { x0 = this.points.length ? x0 - 0.1 : 0; x1 = x0 + 0.2; }
    const w = x1 - x0, h = y1 - y0;
    return { x0: x0 - 0.08 * w, x1: x1 + 0.15 * w, y0: y0 - 0.05 * h, y1: y1 + 0.15 * h };
  }

  static step(span) {                       // a round number, four to eight of them in the span
    const ten = 10 ** Math.floor(Math.log10(span / 4));
    return [1, 2, 5, 10].map((k) => k * ten).filter((k) => span / k <= 8)[0];
  }

  redraw() {
    const box = this.canvas.getBoundingClientRect(), ratio = Math.min(window.devicePixelRatio || 1, 2);
    if (!box.width) return;
    this.canvas.width = Math.round(box.width * ratio);
    this.canvas.height = Math.round(box.height * ratio);
    this.pen = this.canvas.getContext("2d");
    this.pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    const style = getComputedStyle(document.documentElement), colour = (name) => style.getPropertyValue(name).trim();
    this.colour = { ink: colour("--ink"), soft: colour("--soft"), rule: colour("--rule"), line: colour("--within") };
    this.at = { left: 46, top: 10, width: box.width - 58, height: box.height - 46 };
    this.box = this.frame();
    this.axes();
    this.drawn = 0;
    this.extend();
  }

  x(v) { return this.at.left + this.at.width * (v - this.box.x0) / (this.box.x1 - this.box.x0); }
  y(v) { return this.at.top + this.at.height * (1 - (v - this.box.y0) / (this.box.y1 - this.box.y0)); }

  axes() {
    const pen = this.pen, { left, top, width, height } = this.at, unit = this.thou ? 0.0254 : 1;
    pen.font = "12px system-ui, sans-serif";
    pen.lineWidth = 1;
    const lines = (from, to, each) => {
      const s = Loop.step(to - from);
      for (let k = Math.ceil(from / s); k * s <= to; k++) each(k * s, (k * s).toFixed(Math.max(0, -Math.floor(Math.log10(s) + 1e-9))));
    };
    pen.textAlign = "right"; pen.textBaseline = "middle";
    lines(this.box.y0, this.box.y1, (v, text) => {
      pen.strokeStyle = this.colour.rule; pen.fillStyle = this.colour.soft;
      pen.beginPath(); pen.moveTo(left, this.y(v)); pen.lineTo(left + width, this.y(v)); pen.stroke();
      pen.fillText(text, left - 6, this.y(v));
    });
    pen.textAlign = "center"; pen.textBaseline = "top";
    lines(this.box.x0 / unit, this.box.x1 / unit, (v, text) => pen.fillText(text, this.x(v * unit), top + height + 6));
    pen.textAlign = "right";
    pen.fillText(`displacement, ${this.thou ? "thou" : "mm"}`, left + width, top + height + 22);
    pen.textAlign = "left";
    pen.fillText("force, N", left + 6, top + 2);
  }

  extend() {
    if (!this.pen || !this.points.length) return;
    const pen = this.pen, from = Math.max(0, this.drawn - 1);
    pen.strokeStyle = this.colour.line; pen.lineWidth = 1.6; pen.lineJoin = "round";
    pen.beginPath();
    for (let i = from; i < this.points.length; i++) {
      const [x, y] = this.points[i];
      if (i === from) pen.moveTo(this.x(x), this.y(y)); else pen.lineTo(this.x(x), this.y(y));
    }
    pen.stroke();
    this.drawn = this.points.length;
  }
}
