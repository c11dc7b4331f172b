// Shares of the signal current: a band for audio and one for RF on every way, with its figure. Text only by Vue.
export default {
  props: {
    caption: String,
    rows: Array, // of { way, bands: [{ name, percent, was, words }] }
  },
  template: `
    <div class="bands" role="table" :aria-label="caption">
      <p class="bands-caption" aria-hidden="true">{{ caption }}</p>
      <div v-for="row in rows" :key="row.way" class="bands-row" role="row">
        <div class="bands-way" role="rowheader">{{ row.way }}</div>
        <div class="bands-both" role="cell">
          <div v-for="band in row.bands" :key="band.name" class="bands-line">
            <span class="bands-name">{{ band.name }}</span>
            <span class="bands-track" aria-hidden="true">
              <span class="bands-band" :class="band.name.toLowerCase()" :style="{ width: band.percent + '%' }"></span>
              <span class="bands-was" :style="{ left: band.was + '%' }"></span>
            </span>
            <span class="bands-words">{{ band.words }}</span>
          </div>
        </div>
      </div>
    </div>
  `,
};
