"use strict";
(() => {
  const plan = JSON.parse(document.getElementById("plan").textContent);
  for (const key of "dtegvphcwxys") {
    let sum = 0;
    plan[key] = plan[key].map((step) => (sum += step));
  }
  const $ = (id) => document.getElementById(id);
  const map = $("map"), dot = $("dot"), slider = $("place"), strips = $("strips"), wide = $("wide");
  const cursor = $("cursor"), moment = $("moment");
  const last = plan.d.length - 1;
  const home = map.getAttribute("viewBox").split(" ").map(Number);
  const letters = Number(map.getAttribute("font-size"));
  let here = 0, zoom = 1;

  const km = (d) => (d / 1000).toFixed(2);
  const clock = (t) => {
    const h = Math.floor(t / 3600), m = Math.floor(t / 60) % 60, s = Math.round(t) % 60;
    const two = (n) => String(n).padStart(2, "0");
    return h ? `${h}:${two(m)}:${two(s)}` : `${m}:${two(s)}`;
  };
  const put = (id, text, mark) => {
    const place = $(`r-${id}`);
    place.textContent = "";
    const span = document.createElement("span");
    span.textContent = text;
    if (mark) span.className = mark;
    place.append(span);
  };

  // the sample nearest to a distance along the course
  const nearest = (distance) => {
    let low = 0, high = last;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (plan.d[middle] <= distance) low = middle; else high = middle;
    }
    return distance - plan.d[low] < plan.d[high] - distance ? low : high;
  };

  const wind = (i) => {
    const ahead = plan.h[i] / 10, side = plan.c[i] / 10, parts = [];
    if (Math.abs(ahead) >= 0.1) parts.push(`${ahead > 0 ? "against" : "behind"} ${Math.abs(ahead).toFixed(1)}`);
    if (Math.abs(side) >= 0.1) parts.push(`${side > 0 ? "right" : "left"} ${Math.abs(side).toFixed(1)}`);
    return parts.length ? `${parts.join(", ")} m/s` : "none";
  };

  const next = (i) => {
    const task = plan.seg[plan.s[i]];
    const change = plan.seg.slice(plan.s[i] + 1).find((s) => s[4] !== task[4] || s[2] !== task[2]);
    if (!change) return "to the finish";
    return `${change[4] ? "tuck" : "up"}, ${change[2]} W at km ${km(change[0])}`;
  };

  const show = (i) => {
    here = Math.max(0, Math.min(last, i));
    const share = plan.d[here] / plan.total, task = plan.seg[plan.s[here]];
    cursor.hidden = moment.hidden = false;
    cursor.style.left = `${100 * share}%`;
    moment.style.left = `${100 * plan.t[here] / plan.time}%`;
    dot.removeAttribute("hidden");
    dot.setAttribute("cx", plan.x[here]);
    dot.setAttribute("cy", plan.y[here]);
    slider.value = here;
    const grade = plan.g[here] / 10;
    put("km", `km ${km(plan.d[here])}`);
    put("time", clock(plan.t[here]));
    put("task", `${task[3]}, ${task[2]} W`, task[4] ? "tuck" : "up");
    put("next", next(here));
    put("speed", `${(plan.v[here] / 10).toFixed(1)} km/h`);
    put("power", `${plan.p[here]} W`);
    put("grade", `${grade > 0 ? "+" : grade < 0 ? "−" : ""}${Math.abs(grade).toFixed(1)} %, ${plan.e[here]} m`);
    put("wind", wind(here));
    put("left", `${(plan.w[here] / 10).toFixed(1)} kJ`);
    slider.setAttribute("aria-valuetext",
      `km ${km(plan.d[here])}, ${task[3]}, ${task[2]} watts, ${(plan.v[here] / 10).toFixed(0)} km/h`);
  };

  // the map follows what the strips show
  const frame = () => {
    let box = home;
    if (zoom > 1) {
      const from = strips.scrollLeft / wide.clientWidth * plan.total;
      const to = from + plan.total / zoom;
      const a = nearest(from), b = nearest(to);
      let x0 = Infinity, x1 = -Infinity, y0 = Infinity, y1 = -Infinity;
      for (let i = a; i <= b; i++) {
        x0 = Math.min(x0, plan.x[i]); x1 = Math.max(x1, plan.x[i]);
        y0 = Math.min(y0, plan.y[i]); y1 = Math.max(y1, plan.y[i]);
      }
      const least = home[2] / 30;
      const w = Math.max(x1 - x0, least) * 1.25, h = Math.max(y1 - y0, least) * 1.25;
      box = [(x0 + x1 - w) / 2, (y0 + y1 - h) / 2, w, h];
    }
    map.setAttribute("viewBox", box.join(" "));
    const scale = Math.max(box[2] / home[2], box[3] / home[3]);
    map.setAttribute("font-size", letters * scale * (map.clientWidth < 560 ? 1.5 : 1));
    dot.setAttribute("r", letters * scale * 0.46);
    map.classList.toggle("near", zoom > 3);
  };

  const view = (factor, share) => {
    zoom = Math.max(1, Math.min(60, factor));
    wide.style.width = `${100 * zoom}%`;
    strips.classList.toggle("zoomed", zoom > 1);
    wide.classList.toggle("close", zoom >= 4);
    strips.scrollLeft = share * wide.clientWidth - strips.clientWidth / 2;
    frame();
  };
  const about = () => plan.d[here] / plan.total;

  const pointed = (event) => {
    const box = wide.getBoundingClientRect();
    show(nearest((event.clientX - box.left) / box.width * plan.total));
  };
  wide.addEventListener("pointermove", pointed);
  wide.addEventListener("pointerdown", pointed);
  wide.addEventListener("dblclick", (event) => { pointed(event); view(zoom * 2, about()); });
  strips.addEventListener("scroll", frame);
  strips.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !event.metaKey) return;
    event.preventDefault();
    view(zoom * Math.exp(-event.deltaY / 200), about());
  }, { passive: false });

  const onMap = (event) => {
    const matrix = map.getScreenCTM();
    if (!matrix) return;
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix.inverse());
    let best = 0, least = Infinity;
    for (let i = 0; i <= last; i++) {
      const off = (plan.x[i] - at.x) ** 2 + (plan.y[i] - at.y) ** 2;
      if (off < least) { least = off; best = i; }
    }
    show(best);
  };
  map.addEventListener("pointermove", onMap);
  map.addEventListener("pointerdown", onMap);

  slider.addEventListener("input", () => {
    show(Number(slider.value));
    if (zoom > 1) view(zoom, about());
  });
  strips.addEventListener("keydown", (event) => {
    const far = Math.max(1, Math.round(last / 40));
    const moves = { ArrowLeft: -1, ArrowRight: 1, PageUp: -far, PageDown: far, Home: -last, End: last };
    if (event.key in moves) show(here + moves[event.key] * (event.shiftKey ? 10 : 1));
    else if (event.key === "+" || event.key === "=") view(zoom * 2, about());
    else if (event.key === "-") view(zoom / 2, about());
    else if (event.key === "0") view(1, 0);
    else return;
    event.preventDefault();
    if (zoom > 1) view(zoom, about());
  });
  $("in").addEventListener("click", () => view(zoom * 2, about()));
  $("out").addEventListener("click", () => view(zoom / 2, about()));
  $("whole").addEventListener("click", () => view(1, 0));
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-from]");
    if (!button) return;
    const from = Number(button.dataset.from), to = Number(button.dataset.to);
    const i = nearest(from);
    show(plan.d[i] < from ? i + 1 : i);
    view(plan.total / Math.max(1.6 * (to - from), plan.total / 40), (from + to) / 2 / plan.total);
    $("road").scrollIntoView();
    strips.focus({ preventScroll: true });
  });
  addEventListener("resize", frame);
  addEventListener("beforeprint", () => view(1, 0));
  frame();
  show(0);
})();
