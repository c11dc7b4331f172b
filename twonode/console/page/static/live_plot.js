// Ratio and phase over frequency, drawn as SVG of our own while points arrive.
const WIDE = 900;
const NARROW = 430; // of a phone, where it is drawn at about its own size
const LEFT = 78;
const RIGHT = 16;
const PANELS = {
  db: { top: 34, height: 220, least: 6, step: [1, 2, 5, 10, 20, 40], unit: " dB", name: "Ratio far / drive" },
  deg: { top: 300, height: 170, least: 30, step: [5, 10, 15, 30, 45, 90], unit: "°", name: "Phase" },
};
const BELOW = PANELS.deg.top + PANELS.deg.height;
const hertz = (hz) => (hz >= 1e6 ? `${hz / 1e6} MHz` : hz >= 1e3 ? `${hz / 1e3} kHz` : `${hz} Hz`);

export default {
  props: { dots: Array, line: Object },
  data() {
    return { points: [...(this.dots ?? [])], curve: this.line ?? null, wide: WIDE };
  },
  mounted() {
    this.watch = new ResizeObserver(() => {
      this.wide = this.$el.clientWidth < 560 ? NARROW : WIDE;
    });
    this.watch.observe(this.$el);
  },
  beforeUnmount() {
    this.watch.disconnect();
  },
  computed: {
    // One row where there is room for it.
    legend() {
      return this.wide === WIDE ? [[0, 0], [190, 0], [370, 0]] : [[0, 0], [190, 0], [0, 26]];
    },
    tall() {
      return BELOW + 60 + this.legend.at(-1)[1];
    },
    drawn() {
      return this.points.filter((dot) => dot.db !== undefined);
    },
    // Frequencies grow outwards only, in thirds of a decade, so that the picture does not jump with every dot.
    range() {
      const all = this.points.map((dot) => Math.log10(dot.hz));
      const low = all.length ? Math.min(...all) : 1;
      const high = all.length ? Math.max(...all) : 4;
      return [Math.floor((low - 0.25) * 3) / 3, Math.ceil((high + 0.25) * 3) / 3];
    },
    ticks() {
      const [low, high] = this.range;
      const found = [];
      const every = high - low > (this.wide === WIDE ? 3 : 1.5) ? [1] : [1, 2, 5];
      for (let decade = Math.floor(low); decade <= high; decade++)
        for (const digit of every) {
          const hz = Number((digit * 10 ** decade).toPrecision(1));
          const place = Math.log10(hz);
          if (place >= low && place <= high) found.push({ hz, x: this.x(hz), words: hertz(hz) });
        }
      return found;
    },
    panels() {
      return Object.entries(PANELS).map(([key, panel]) => {
        const seen = this.drawn.flatMap((dot) => [dot[key] - dot[`${key}_half`], dot[key] + dot[`${key}_half`]]);
        if (this.curve)
          this.curve.hz.forEach((hz, place) => {
            const lg = Math.log10(hz);
            if (lg >= this.range[0] && lg <= this.range[1]) seen.push(this.curve[key][place]);
          });
        let low = seen.length ? Math.min(...seen) : key === "db" ? -40 : -90;
        let high = seen.length ? Math.max(...seen) : key === "db" ? 0 : 90;
        const lacking = panel.least - (high - low);
        if (lacking > 0) [low, high] = [low - lacking / 2, high + lacking / 2];
        // Room for half a dot.
        [low, high] = [low - 0.05 * (high - low), high + 0.05 * (high - low)];
        const step = panel.step.find((each) => (high - low) / each <= 5) ?? panel.step.at(-1);
        low = Math.floor(low / step) * step;
        high = Math.ceil(high / step) * step;
        const y = (value) => panel.top + ((high - value) / (high - low)) * panel.height;
        const rows = [];
        for (let value = low; value <= high + step / 1e6; value += step)
          rows.push({ value, y: y(value), words: `${String(value).replace("-", "−")}${panel.unit}` });
        return { key, ...panel, rows, y, path: this.path(key, y) };
      });
    },
    words() {
      const last = this.points.at(-1);
      const count = `${this.points.length} point${this.points.length === 1 ? "" : "s"}`;
      return last ? `${count}, the last at ${last.words}` : "No point yet";
    },
  },
  methods: {
    x(hz) {
      const [low, high] = this.range;
      return LEFT + ((Math.log10(hz) - low) / (high - low)) * (this.wide - LEFT - RIGHT);
    },
    path(key, y) {
      if (!this.curve) return "";
      return this.curve.hz
        .map((hz, place) => [Math.log10(hz), hz, this.curve[key][place]])
        .filter(([lg]) => lg >= this.range[0] && lg <= this.range[1])
        .map(([, hz, value], place) => `${place ? "L" : "M"}${this.x(hz).toFixed(1)},${y(value).toFixed(1)}`)
        .join("");
    },
    add(dot) {
      if (this.points.some((each) => each.n === dot.n)) return;
      this.points.push(dot);
      this.$nextTick(() => {
        const noted = (window.twonodeDots ??= []);
        noted.push({ n: dot.n, at_ms: dot.at_ms, shown_ms: Date.now() });
        if (noted.length > 500) noted.shift();
      });
    },
    fit(line) {
      this.curve = line;
    },
  },
  template: `
    <svg class="live-plot" :viewBox="'0 0 ' + wide + ' ' + tall" role="img" :aria-label="'Ratio and phase over frequency. ' + words">
      <g v-for="panel in panels" :key="panel.key">
        <text class="name" x="${LEFT}" :y="panel.top - 12">{{ panel.name }}</text>
        <rect class="room" x="${LEFT}" :y="panel.top" :width="wide - ${LEFT + RIGHT}" :height="panel.height" />
        <g v-for="row in panel.rows" :key="row.value">
          <line class="grid" x1="${LEFT}" :x2="wide - ${RIGHT}" :y1="row.y" :y2="row.y" />
          <text x="${LEFT - 8}" :y="row.y + 6" text-anchor="end">{{ row.words }}</text>
        </g>
        <line class="grid" v-for="tick in ticks" :key="tick.hz" :x1="tick.x" :x2="tick.x" :y1="panel.top" :y2="panel.top + panel.height" />
        <path class="fit" :d="panel.path" />
        <g v-for="dot in drawn" :key="dot.n" class="dot" :class="{ refused: !dot.used }" :data-n="dot.n">
          <path class="bar" :d="'M' + x(dot.hz) + ',' + panel.y(dot[panel.key] - dot[panel.key + '_half']) + 'V' + panel.y(dot[panel.key] + dot[panel.key + '_half'])
            + 'M' + (x(dot.hz) - 6) + ',' + panel.y(dot[panel.key] - dot[panel.key + '_half']) + 'h12M' + (x(dot.hz) - 6) + ',' + panel.y(dot[panel.key] + dot[panel.key + '_half']) + 'h12'" />
          <circle v-if="dot.used" :cx="x(dot.hz)" :cy="panel.y(dot[panel.key])" r="6" />
          <path v-else class="cross" :d="'M' + (x(dot.hz) - 7) + ',' + (panel.y(dot[panel.key]) - 7) + 'l14,14m-14,0l14,-14'" />
        </g>
      </g>
      <text v-for="tick in ticks" :key="tick.hz" :x="tick.x" y="${BELOW + 24}" text-anchor="middle">{{ tick.words }}</text>
      <g v-for="(place, n) in legend" :key="'legend' + n" :transform="'translate(' + (${LEFT} + place[0]) + ',' + (${BELOW + 50} + place[1]) + ')'">
        <template v-if="n === 0"><circle class="key" cx="8" cy="-6" r="6" /><text x="22" y="0">measured, bar 95 %</text></template>
        <template v-else-if="n === 1"><path class="fit" d="M10,-6h44" /><text x="64" y="0">fitted so far</text></template>
        <template v-else><path class="cross" d="M2,-13l14,14m-14,0l14,-14" /><text x="24" y="0">not used</text></template>
      </g>
    </svg>
  `,
};
