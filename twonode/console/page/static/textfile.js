// A text file chosen on this computer, read by the browser and handed over as text.
let made = 0;

export default {
  props: { label: String, hint: String, accept: String, largest: Number },
  emits: ["chosen"],
  data: () => ({ name: `textfile-${++made}` }),
  methods: {
    async read(event) {
      const file = event.target.files[0];
      event.target.value = "";
      if (!file) return;
      const whole = file.size <= this.largest;
      let text = null;
      if (whole) {
        try {
          text = new TextDecoder("utf-8", { fatal: true }).decode(await file.arrayBuffer());
        } catch {
          text = null;
        }
      }
      this.$emit("chosen", { name: file.name, size: file.size, text });
    },
  },
  template: `
    <div class="control textfile">
      <label :for="name">{{ label }}</label>
      <input type="file" :id="name" :accept="accept" :aria-describedby="hint ? name + '-hint' : null" @change="read">
      <p v-if="hint" class="hint" :id="name + '-hint'">{{ hint }}</p>
    </div>
  `,
};
