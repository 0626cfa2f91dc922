// What moves in a page: surface, slider, charts, and what stands behind a cell.
// Reads the JSON block that src/report/page/data.rs writes; asks nothing of the network.
'use strict';
(() => {
  const root = document.documentElement;
  root.classList.add('js');
  const byId = (id) => document.getElementById(id);
  const data = JSON.parse(byId('data').textContent);

  // --- numbers back from text; the coding is told in src/report/page/coding.rs ---

  const LETTERS = 'ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/';
  const BITS = new Map([...LETTERS].map((letter, i) => [letter, i]));

  function numbers(text) {
    const found = [];
    let value = 0;
    let scale = 1;
    for (const letter of text) {
      const bits = BITS.get(letter);
      value += (bits & 31) * scale;
      scale *= 32;
      if (bits < 32) {
        const size = Math.floor(value / 2);
        found.push(value % 2 === 1 ? -size : size);
        value = 0;
        scale = 1;
      }
    }
    return found;
  }

  function apply(before, text) {
    const row = Int32Array.from(before);
    const changes = numbers(text);
    for (let i = 0, cell = 0; i < changes.length; i++) {
      if (changes[i] === 0) cell += changes[++i];
      else row[cell++] += changes[i];
    }
    return row;
  }

  for (const slot of data.slots) {
    const cells = slot.rpm.length * slot.load.length;
    const scale = 10 ** slot.decimals;
    let row = new Int32Array(cells);
    slot.rows = slot.steps.map(({ v }) => {
      if (v === undefined) return null;
      row = apply(row, v);
      return Array.from(row, (steps) => steps / scale);
    });
  }

  const COLUMNS = ['known', 'required', 'error', 'seconds', 'visits', 'rides', 'hold'];
  const HOLDS = Object.keys(data.holds).sort();

  /** Evidence of a slot by step, read when it is first needed. */
  function evidence(slot) {
    if (slot.byStep) return slot.byStep;
    slot.byStep = new Map();
    let later = COLUMNS.map(() => new Int32Array(slot.rpm.length * slot.load.length));
    for (const { step, columns } of slot.evidence) {
      later = columns.map((text, i) => apply(later[i], text));
      slot.byStep.set(step, Object.fromEntries(COLUMNS.map((name, i) => [name, later[i]])));
    }
    return slot.byStep;
  }

  // --- formats, the same as src/units.rs and src/bike/config/fuel_table.rs have them ---

  const fixed = (value, decimals) => {
    if (!Number.isFinite(value)) return '–';
    const text = value.toFixed(decimals);
    return /^-[0.]+$/.test(text) ? text.slice(1) : text;
  };
  const signed = (value, decimals) => {
    const text = fixed(value, decimals);
    return text === '–' || text.startsWith('-') || /^[0.]+$/.test(text) ? text : `+${text}`;
  };
  const amount = (slot, cell) => (slot.fuel_table === 'trim_pct' ? 1 + cell / 100 : cell);
  const changePct = (slot, before, after) => (amount(slot, after) / amount(slot, before) - 1) * 100;

  const counted = (n, noun) => (n === 1 ? `1 ${noun}` : `${n} ${noun}s`);

  function place(share, classes) {
    return Math.round(Math.min(1, Math.max(0, share)) * (classes - 1));
  }
  function valueClass([low, high], value) {
    const classes = data.palettes.value_classes;
    return low === high ? `v${classes / 2}` : `v${place((value - low) / (high - low), classes)}`;
  }
  function changeClass(most, value) {
    if (value === 0 || !Number.isFinite(value)) return '';
    return `c${place((value / most + 1) / 2, data.palettes.change_classes)}`;
  }

  /** An element with attributes and children; text is never read as HTML. */
  function element(tag, attributes, ...children) {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes ?? {})) {
      if (value !== undefined && value !== '') made.setAttribute(name, value);
    }
    made.append(...children.filter((child) => child !== undefined && child !== null));
    return made;
  }

  // --- light and dark ---

  const wantsDark = window.matchMedia('(prefers-color-scheme: dark)');
  const isDark = () => (root.dataset.theme ? root.dataset.theme === 'dark' : wantsDark.matches);
  const css = (name) => getComputedStyle(root).getPropertyValue(name).trim();
  const theme = byId('theme');
  const nameTheme = () => {
    theme.textContent = isDark() ? 'Light' : 'Dark';
    theme.setAttribute('aria-label', isDark() ? 'Switch to light colours' : 'Switch to dark colours');
  };
  theme.addEventListener('click', () => {
    root.dataset.theme = isDark() ? 'light' : 'dark';
    nameTheme();
    redraw();
  });
  wantsDark.addEventListener('change', () => {
    nameTheme();
    redraw();
  });
  nameTheme();

  // --- charts ---

  const CONFIG = { displayModeBar: false, responsive: true, scrollZoom: false, showTips: false };
  /** Width of a chart on paper: A4 less its margins, at 96 px an inch. */
  const PRINT_WIDTH_PX = 690;
  let printing = false;

  function layout(more) {
    const font = { family: getComputedStyle(document.body).fontFamily, size: 13, color: css('--ink') };
    return {
      font,
      paper_bgcolor: 'rgba(0,0,0,0)',
      plot_bgcolor: 'rgba(0,0,0,0)',
      margin: { l: 56, r: 12, t: 8, b: 44 },
      dragmode: false,
      showlegend: true,
      legend: { orientation: 'h', x: 0, y: 1, yanchor: 'bottom' },
      hoverlabel: { bgcolor: css('--paper'), bordercolor: css('--ink'), font: { color: css('--ink') } },
      ...(printing ? { width: PRINT_WIDTH_PX, autosize: false } : { autosize: true }),
      ...more,
    };
  }
  const axis = (title, more) => ({
    title: { text: title, standoff: 8, font: { size: 13 } },
    fixedrange: true,
    gridcolor: css('--rule'),
    zerolinecolor: css('--rule'),
    automargin: true,
    ...more,
  });

  /** A row of more points is drawn without its points, or they would hide the line. */
  const MANY_POINTS = 60;

  function trace({ name, draw, colour, at, values }) {
    const color = css(`--series-${colour}`);
    const many = at.length > MANY_POINTS;
    switch (draw) {
      case 'rows':
        return {
          type: 'bar', name, orientation: 'h', y: at, x: values, marker: { color }, textposition: 'auto',
          text: values.map((v) => v.toLocaleString('en').replaceAll(',', ' ')), hovertemplate: '%{y}: %{text}<extra></extra>',
          cliponaxis: false,
        };
      case 'bars':
        return { type: 'bar', name, x: at, y: values, marker: { color } };
      case 'points':
        return { type: 'scatter', mode: 'markers', name, x: at, y: values, marker: { color, size: many ? 4 : 7, symbol: 'circle-open' } };
      default:
        return {
          type: 'scatter', mode: many ? 'lines' : 'lines+markers', name, x: at, y: values, line: { color, width: 2.5 },
          marker: { size: 7, symbol: colour === 0 ? 'circle' : 'diamond' }, connectgaps: true,
        };
    }
  }

  function drawChart(chart) {
    const place = byId(chart.id);
    if (!place) return;
    const lying = chart.traces.some(({ draw }) => draw === 'rows');
    const width = printing ? PRINT_WIDTH_PX : place.clientWidth;
    const words = { type: 'category', showgrid: false, tickangle: 0, nticks: Math.max(4, Math.floor(width / 55)) };
    const more = lying
      ? {
          xaxis: axis(chart.x, { rangemode: 'tozero', nticks: 4, tickangle: 0 }),
          yaxis: axis('', { type: 'category', showgrid: false, autorange: 'reversed' }),
          showlegend: false,
          height: printing ? 260 : undefined,
        }
      : {
          xaxis: axis(chart.x, words),
          yaxis: axis(chart.y, chart.top === undefined ? { rangemode: 'tozero' } : { range: [0, chart.top] }),
          hovermode: 'x',
          height: printing ? 240 : undefined,
        };
    Plotly.react(place, chart.traces.map(trace), layout(more), CONFIG);
  }

  // --- surface, slider, the table that follows ---

  const canvas = document.createElement('canvas');
  const webgl = Boolean(canvas.getContext('webgl2') ?? canvas.getContext('webgl'));

  /** Values, scale and words of one step in one mode. */
  function view(slot, step, mode) {
    const row = slot.rows[step];
    const from = mode === 'start' ? slot.rows[slot.start] : slot.rows[step - 1];
    if (mode === 'values' || !row) {
      return { row, decimals: slot.decimals, title: slot.cell, range: slot.values, change: false };
    }
    const most = mode === 'start' ? slot.since_start_pct : slot.since_before_pct;
    return {
      row: from ? row.map((value, cell) => changePct(slot, from[cell], value)) : null,
      decimals: 1,
      title: 'change of fuel, %',
      range: [-most, most],
      change: true,
    };
  }

  /** What is to be told of each cell at a step: locked, at a limit, inferred. */
  function signs(slot, step, cell) {
    // A lock says more than what held the cell before it.
    if (step === slot.steps.length - 1 && slot.about.locked?.[cell] !== undefined) return data.holds.locked[1] ?? '';
    const hold = evidence(slot).get(step)?.hold[cell];
    return (hold && data.holds[HOLDS[hold - 1]][1]) ?? '';
  }

  function fill(explorer) {
    const { slot, step, mode, table } = explorer;
    const seen = view(slot, step, mode);
    table?.querySelectorAll('td').forEach((td, cell) => {
      const value = seen.row?.[cell];
      const chosen = td.classList.contains('chosen');
      if (value === undefined || !Number.isFinite(value)) {
        td.className = '';
        td.textContent = '–';
      } else {
        td.className = seen.change ? changeClass(seen.range[1], value) : valueClass(seen.range, value);
        td.textContent = !seen.change ? fixed(value, seen.decimals) : value === 0 ? '·' : signed(value, seen.decimals);
        const sign = signs(slot, step, cell);
        if (sign) td.append(element('i', {}, sign));
      }
      td.classList.toggle('chosen', chosen);
    });
    // On paper a table that says the same as the one above is left out.
    explorer.block.classList.toggle('as-above', mode === 'values' && step === slot.steps.length - 1);
    fillLegend(explorer, seen);
    fillShown(explorer, seen);
    soon(explorer);
  }

  /** Draws the surface once a frame, however fast the slider moves. */
  function soon(explorer) {
    if (explorer.waits) return;
    explorer.waits = true;
    window.requestAnimationFrame(() => {
      explorer.waits = false;
      drawSurface(explorer);
    });
  }

  function fillLegend({ legend }, seen) {
    const [low, high] = seen.range;
    const decimals = seen.change ? (high < 10 || high % 2 !== 0 ? 1 : 0) : high - low < 2 ? 2 : high - low < 100 ? 1 : 0;
    const swatches = [0, 0.25, 0.5, 0.75, 1].map((share) => {
      const value = low + share * (high - low);
      const colour = seen.change ? changeClass(high, value) : valueClass(seen.range, value);
      return element('span', { class: colour }, seen.change ? signed(value, decimals) : fixed(value, decimals));
    });
    const strip = element('span', { class: 'swatches', 'aria-hidden': 'true' }, ...swatches);
    if (!seen.change) legend.replaceChildren(strip);
    else {
      legend.replaceChildren(
        element('span', {}, 'orange: less fuel, %'), strip,
        element('span', {}, 'purple: more fuel, %; a dot is no change'),
      );
    }
  }

  function fillShown({ slot, step, shown, range, before, after }, seen) {
    if (!shown) return;
    const revision = data.revisions[slot.steps[step].r];
    const parts = [`${revision.day}, ${revision.kind}, build ${revision.build}: ${revision.told}`];
    if (revision.why && !parts.some((part) => part.includes(revision.why))) parts.push(`why: ${revision.why}`);
    if (!slot.rows[step]) parts.push('its axes were others, so it cannot be drawn here');
    else if (!seen.row) parts.push('there is nothing before it to compare with');
    shown.replaceChildren(element('b', {}, revision.name), ` of ${parts.join('. ')}`);
    range.setAttribute('aria-valuetext', `${revision.name} of ${revision.day}, ${revision.kind}`);
    before.disabled = step === 0;
    after.disabled = step === slot.steps.length - 1;
  }

  function drawSurface(explorer) {
    const { slot, surface } = explorer;
    if (!webgl || !explorer.visible) return;
    const seen = view(slot, explorer.step, explorer.mode);
    const columns = slot.load.length;
    const z = slot.rpm.map((_, i) => slot.load.map((_, j) => seen.row?.[i * columns + j] ?? null));
    const colorscale = seen.change ? data.palettes.change : data.palettes.value;
    const [low, high] = seen.range;
    const ink = css('--ink');
    const scene = (title, more) => ({
      title: { text: title }, color: ink, gridcolor: css('--rule'), zerolinecolor: css('--rule'), showspikes: false, ...more,
    });
    const narrow = surface.clientWidth < 600;
    // So that the words beside the axes stay inside a narrow box.
    const away = narrow ? 1.25 : 1;
    const trace = {
      type: 'surface', x: slot.load, y: slot.rpm, z, colorscale, cmin: low, cmax: high === low ? low + 1 : high,
      showscale: false, lighting: { ambient: 0.85, diffuse: 0.4, specular: 0.05, roughness: 0.9 },
      contours: { z: { highlight: false }, x: { highlight: false }, y: { highlight: false } },
      hovertemplate: `%{y} rpm, ${slot.load_name} %{x} ${slot.load_unit}<br>%{z:.${seen.decimals}f}<extra></extra>`,
    };
    Plotly.react(surface, [trace], layout({
      margin: { l: 0, r: 0, t: 0, b: 0 },
      showlegend: false,
      uirevision: 'kept',
      dragmode: 'turntable',
      font: { family: getComputedStyle(document.body).fontFamily, size: narrow ? 10 : 12, color: ink },
      height: printing ? 380 : undefined,
      scene: {
        xaxis: scene(`${slot.load_name}, ${slot.load_unit}`, { nticks: 6 }),
        yaxis: scene('rpm, 1/min', { nticks: 6 }),
        zaxis: scene(seen.title, { nticks: 5, range: seen.change ? seen.range : undefined }),
        aspectmode: 'manual',
        aspectratio: { x: 1.15, y: 1.25, z: 0.7 },
        camera: { eye: { x: -1.35 * away, y: -1.45 * away, z: 0.85 * away }, center: { x: 0, y: 0, z: -0.12 } },
      },
    }), CONFIG);
  }

  const explorers = [...document.querySelectorAll('.explorer')].map((block) => {
    const id = Number(block.dataset.slot);
    const slot = data.slots[id];
    const [before, after] = ['-1', '1'].map((go) => block.querySelector(`button[data-go="${go}"]`));
    const explorer = {
      id, block, slot, step: slot.steps.length - 1, mode: 'values', visible: false, before, after,
      range: block.querySelector('input[type="range"]'),
      table: byId(`chosen-${id}`), legend: byId(`legend-${id}`), shown: byId(`shown-${id}`), surface: byId(`surface-${id}`),
    };
    const go = (step) => {
      explorer.step = Math.min(slot.steps.length - 1, Math.max(0, step));
      explorer.range.value = String(explorer.step);
      fill(explorer);
      if (chosen?.explorer === explorer) showCell(chosen);
    };
    explorer.range?.addEventListener('input', () => go(Number(explorer.range.value)));
    for (const button of [before, after]) {
      button?.addEventListener('click', () => go(explorer.step + Number(button.dataset.go)));
    }
    for (const radio of block.querySelectorAll('input[type="radio"]')) {
      radio.addEventListener('change', () => {
        explorer.mode = radio.value;
        fill(explorer);
      });
    }
    if (!webgl) {
      explorer.surface.hidden = true;
      block.querySelector('.no-webgl').hidden = false;
    }
    return explorer;
  });

  // --- what stands behind a cell ---

  const panel = byId('panel');
  let chosen = null;
  let cameFrom = null;

  /** The run whose evidence stands behind a step, as far as the page holds it. */
  function runAt(slot, step) {
    const run = slot.steps[step].e;
    return evidence(slot).has(run) ? run : undefined;
  }

  function facts({ slot, cell, step }) {
    const name = (k) => data.revisions[slot.steps[k].r].name;
    const value = slot.rows[step]?.[cell];
    const start = slot.rows[slot.start]?.[cell];
    const newest = step === slot.steps.length - 1;
    const { about } = slot;
    const pairs = [[`${slot.cell}, ${name(step)}`, value === undefined ? 'its axes were others' : fixed(value, slot.decimals)]];
    if (value !== undefined && start !== undefined && step > slot.start) {
      pairs.push([`since ${name(slot.start)}`, `${signed(changePct(slot, start, value), 1)} % (from ${fixed(start, slot.decimals)})`]);
    }
    if (newest && about.wanted_lambda) pairs.push(['wanted lambda', fixed(about.wanted_lambda[cell], 3)]);
    const spark = newest ? about.spark_deg?.[cell] : undefined;
    if (spark !== undefined && spark !== null) pairs.push(['spark', `${fixed(spark, 1)}° before top dead centre`]);
    const run = runAt(slot, step);
    if (run === undefined) {
      const left = slot.steps[step].e !== undefined;
      pairs.push(['evidence', left ? 'left out to keep the page small' : 'no run yet']);
    } else {
      const e = evidence(slot).get(run);
      const scale = 10 ** (slot.decimals + 1);
      const asked = e.known[cell]
        ? `${fixed(e.required[cell] / scale, slot.decimals + 1)} ± ${fixed(e.error[cell] / scale, slot.decimals + 1)}`
        : 'nothing: no ride spoke of it';
      pairs.push([`asked for in ${name(run)}`, asked]);
      pairs.push(['riding behind it', `${fixed(e.seconds[cell] / 10, 1)} s, ${counted(e.visits[cell], 'visit')}, ${counted(e.rides[cell], 'ride')}`]);
      const hold = e.hold[cell] ? HOLDS[e.hold[cell] - 1] : undefined;
      pairs.push(['held by', hold ? `${hold.replaceAll('_', ' ')}: ${data.holds[hold][0]}` : 'nothing']);
    }
    if (newest && about.known) {
      pairs.push(['known', about.known[cell]]);
      pairs.push(['travelled', `${fixed(about.travel_pct[cell], 1)} %, ${counted(about.turns[cell], 'turn')}, ` +
        `${counted(about.runs_at_limit[cell], 'run')} at a limit`]);
    }
    if (newest && about.locked?.[cell] !== undefined) pairs.push(['locked', about.locked[cell]]);
    return pairs;
  }

  function drawCell({ slot, cell }) {
    const steps = slot.rows.map((row, k) => k).filter((k) => slot.rows[k]);
    const name = (k) => data.revisions[slot.steps[k].r].name;
    const runs = [...evidence(slot).keys()].sort((a, b) => a - b).filter((k) => evidence(slot).get(k).known[cell]);
    const scale = 10 ** (slot.decimals + 1);
    const of = (column) => runs.map((k) => evidence(slot).get(k)[column][cell] / scale);
    Plotly.react(byId('panel-chart'), [
      {
        type: 'scatter', mode: 'markers', name: 'asked for, ± its error', x: runs.map(name), y: of('required'),
        error_y: { type: 'data', array: of('error'), thickness: 1.5, width: 3 },
        marker: { color: css('--series-0'), size: 6, symbol: 'circle-open' },
      },
      {
        type: 'scatter', mode: 'lines', name: 'held', x: steps.map(name), y: steps.map((k) => slot.rows[k][cell]),
        line: { color: css('--series-1'), width: 2.5, shape: 'hv' },
      },
    ], layout({
      margin: { l: 40, r: 8, t: 4, b: 24 },
      xaxis: axis('', { type: 'category', showgrid: false, tickangle: 0, nticks: 7, categoryorder: 'array', categoryarray: steps.map(name) }),
      yaxis: axis('', { nticks: 5 }),
      font: { family: getComputedStyle(document.body).fontFamily, size: 11, color: css('--ink') },
    }), CONFIG);
  }

  function cellList({ slot, cell }) {
    const rows = [];
    let before;
    slot.rows.forEach((row, k) => {
      const revision = data.revisions[slot.steps[k].r];
      if (row && (before === undefined || row[cell] !== before || slot.rows.length <= 40)) {
        const change = before === undefined ? '' : row[cell] === before ? '·' : `${signed(changePct(slot, before, row[cell]), 1)} %`;
        rows.push(element('tr', {},
          element('th', { scope: 'row' }, revision.name), element('td', {}, fixed(row[cell], slot.decimals)),
          element('td', {}, change), element('td', {}, revision.kind)));
      }
      if (row) before = row[cell];
    });
    const heads = ['revision', 'value', 'change', 'kind'];
    const head = element('tr', {}, ...heads.map((word) => element('th', { scope: 'col' }, word)));
    return element('table', { class: 'list n2 n3', 'aria-label': 'Its value through the revisions' },
      element('thead', {}, head), element('tbody', {}, ...rows.reverse()));
  }

  function showCell(cell) {
    chosen = cell;
    const { slot } = cell;
    const step = cell.explorer ? cell.explorer.step : slot.steps.length - 1;
    const columns = slot.load.length;
    const [i, j] = [Math.floor(cell.cell / columns), cell.cell % columns];
    byId('panel-title').textContent = `${slot.name}: ${slot.rpm[i]} rpm, ${slot.load_name} ${slot.load[j]}\u00a0${slot.load_unit}`;
    const pairs = facts({ slot, cell: cell.cell, step });
    const list = element('dl', { class: 'pairs' });
    for (const [what, said] of pairs) list.append(element('dt', {}, what), element('dd', {}, said));
    byId('panel-body').replaceChildren(list);
    panel.hidden = false;
    document.body.classList.add('with-panel');
    const several = slot.rows.length > 1;
    byId('panel-chart').hidden = !several;
    byId('panel-list').replaceChildren(...(several ? [cellList(cell)] : []));
    if (several) drawCell(cell);
    for (const td of document.querySelectorAll('td.chosen')) td.classList.remove('chosen');
    for (const table of document.querySelectorAll(`table.grid[data-slot="${data.slots.indexOf(slot)}"]`)) {
      table.querySelectorAll('td')[cell.cell]?.classList.add('chosen');
    }
  }

  function closePanel() {
    panel.hidden = true;
    chosen = null;
    document.body.classList.remove('with-panel');
    for (const td of document.querySelectorAll('td.chosen')) td.classList.remove('chosen');
    cameFrom?.focus();
    cameFrom = null;
  }
  byId('panel-close').addEventListener('click', closePanel);

  function open(td, byKey) {
    const table = td.closest('table');
    const id = Number(table.dataset.slot);
    const cell = [...table.querySelectorAll('td')].indexOf(td);
    cameFrom = td;
    for (const other of table.querySelectorAll('td[tabindex="0"]')) other.tabIndex = -1;
    td.tabIndex = 0;
    panel.classList.remove('left');
    showCell({ slot: data.slots[id], cell, explorer: explorers.find((e) => e.table === table) });
    // The cell stays in sight: above the sheet on a phone, beside the panel on a desk.
    td.scrollIntoView({ block: 'nearest', inline: 'nearest' });
    const [at, covers] = [td.getBoundingClientRect(), panel.getBoundingClientRect()];
    panel.classList.toggle('left', at.right > covers.left && at.bottom > covers.top);
    if (byKey) panel.focus();
  }

  for (const table of document.querySelectorAll('table.grid[data-slot]')) {
    table.setAttribute('role', 'grid');
    table.querySelectorAll('td').forEach((td, i) => (td.tabIndex = i === 0 ? 0 : -1));
    // The cells scroll the box, so it need not be a stop of its own.
    table.parentElement.removeAttribute('tabindex');
    table.addEventListener('click', (event) => {
      const td = event.target.closest('td');
      if (td) open(td, false);
    });
    table.addEventListener('keydown', (event) => {
      const td = event.target.closest('td');
      if (!td) return;
      if (event.key === 'Enter' || event.key === ' ') {
        event.preventDefault();
        open(td, true);
        return;
      }
      const columns = td.parentElement.cells.length - 1;
      const cells = [...table.querySelectorAll('td')];
      const at = cells.indexOf(td);
      const column = at % columns;
      const to = {
        ArrowLeft: column > 0 ? at - 1 : at,
        ArrowRight: column < columns - 1 ? at + 1 : at,
        ArrowUp: at - columns,
        ArrowDown: at + columns,
        Home: at - column,
        End: at - column + columns - 1,
      }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      if (!cells[to]) return;
      td.tabIndex = -1;
      cells[to].tabIndex = 0;
      cells[to].focus();
    });
  }
  document.addEventListener('keydown', (event) => {
    if (event.key === 'Escape' && !panel.hidden) closePanel();
  });

  // --- drawing, and paper ---

  function redraw() {
    data.charts.forEach(drawChart);
    explorers.forEach(drawSurface);
    if (chosen) drawCell(chosen);
  }
  window.addEventListener('beforeprint', () => {
    printing = true;
    root.dataset.before = root.dataset.theme ?? '';
    root.dataset.theme = 'light';
    for (const explorer of explorers) explorer.visible = true;
    redraw();
  });
  window.addEventListener('afterprint', () => {
    printing = false;
    if (root.dataset.before) root.dataset.theme = root.dataset.before;
    else delete root.dataset.theme;
    redraw();
  });

  explorers.forEach(fill);
  data.charts.forEach(drawChart);
  // Browsers allow only so many surfaces: the first ones are drawn at once, others when they
  // come near the window.
  const AT_ONCE = 4;
  const see = (explorer) => {
    if (explorer.visible) return;
    explorer.visible = true;
    drawSurface(explorer);
  };
  const watcher = new IntersectionObserver((entries) => {
    for (const { target, isIntersecting } of entries) {
      if (isIntersecting) see(explorers.find(({ surface }) => surface === target));
    }
  });
  window.setTimeout(() => explorers.slice(0, AT_ONCE).forEach(see));
  for (const { surface } of explorers.slice(AT_ONCE)) watcher.observe(surface);
})();
