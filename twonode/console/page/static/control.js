// One labelled control made of the browser's own elements. Its text comes from props only and is escaped by Vue.
let made = 0;
const EVERY_MS = 40; // of a slider that is dragged

export default {
  props: {
    kind: String, // text, area, choice, tick, slider
    label: String,
    value: null,
    version: Number, // counts what the program set, other than what was typed
    hint: String,
    error: String,
    options: Array, // of [value, words]
    low: Number,
    high: Number,
    step: Number,
    shown: String, // of a slider: its value in words
    off: Boolean,
    mode: String, // inputmode: what keyboard a phone shows
    width: String,
  },
  emits: ["changed", "entered"],
  data() {
    return { inner: this.value, name: `control-${++made}`, waiting: null, last: 0 };
  },
  watch: {
    // Not the value itself: an update that crosses with typing would put back what was there before.
    version() {
      this.inner = this.value;
    },
  },
  computed: {
    described() {
      const ids = [];
      if (this.hint) ids.push(`${this.name}-hint`);
      if (this.error) ids.push(`${this.name}-error`);
      return ids.length ? ids.join(" ") : null;
    },
  },
  methods: {
    typed(now) {
      this.inner = now;
      this.$emit("changed", now);
    },
    dragged(now) {
      this.inner = now;
      const left = EVERY_MS - (performance.now() - this.last);
      clearTimeout(this.waiting);
      if (left <= 0) this.send();
      else this.waiting = setTimeout(this.send, left);
    },
    send() {
      this.last = performance.now();
      this.$emit("changed", Number(this.inner));
    },
  },
  beforeUnmount() {
    clearTimeout(this.waiting);
  },
  template: `
    <div class="control" :class="[kind, { wrong: error }]" :style="width ? { maxWidth: width } : null">
      <template v-if="kind === 'tick'">
        <label :for="name" class="tick-label">
          <input type="checkbox" :id="name" :checked="inner" :disabled="off" :aria-describedby="described"
                 :aria-invalid="error ? 'true' : null" @change="typed($event.target.checked)">
          <span>{{ label }}</span>
        </label>
      </template>
      <template v-else>
        <label :for="name">{{ label }}</label>
        <select v-if="kind === 'choice'" :id="name" :value="inner" :disabled="off" :aria-describedby="described"
                :aria-invalid="error ? 'true' : null" @change="typed($event.target.value)">
          <option v-for="each in options" :key="each[0]" :value="each[0]">{{ each[1] }}</option>
        </select>
        <textarea v-else-if="kind === 'area'" :id="name" rows="3" :value="inner" :disabled="off"
                  :aria-describedby="described" @input="typed($event.target.value)"></textarea>
        <div v-else-if="kind === 'slider'" class="slider-line">
          <input type="range" :id="name" :min="low" :max="high" :step="step" :value="inner" :disabled="off"
                 :aria-valuetext="shown" :aria-describedby="described" @input="dragged($event.target.value)">
          <output :for="name">{{ shown }}</output>
        </div>
        <input v-else type="text" :id="name" :value="inner" :disabled="off" :inputmode="mode" autocomplete="off"
               spellcheck="false" :aria-describedby="described" :aria-invalid="error ? 'true' : null"
               @input="typed($event.target.value)" @keydown.enter="$emit('entered', inner)">
      </template>
      <p v-if="hint" class="hint" :id="name + '-hint'">{{ hint }}</p>
      <p v-if="error" class="error" :id="name + '-error'" role="alert">{{ error }}</p>
    </div>
  `,
};
