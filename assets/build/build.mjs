// Builds ../plotly-rideloop.min.js: plotly.js with the traces scatter, bar and surface,
// and without what those never reach. Run `npm ci && npm run build` here.
import { build } from 'esbuild';
import { createHash } from 'node:crypto';
import { readFile, readdir, writeFile } from 'node:fs/promises';
import { fileURLToPath } from 'node:url';

const here = (path) => fileURLToPath(new URL(path, import.meta.url));
const out = here('../plotly-rideloop.min.js');

// What a surface needs of the WebGL modules; the others draw meshes, cones, tubes, lines.
const WEBGL = ['gl_plot3d', 'gl_surface3d', 'ndarray', 'ndarray_linear_interpolate'];

// Parts of a figure that the pages never ask for, each replaced by an empty component.
const UNUSED = [
    'annotations', 'annotations3d', 'images', 'rangeselector', 'rangeslider', 'selections', 'shapes', 'sliders',
    'updatemenus',
];

// The texts that explain every attribute, a third of the source; plotly.js drops them from
// its own small bundles as well. They stand as one quoted line or as joined lines.
const DESCRIPTION = /\s*description: (?:'.*'|\[[\s\S]*?\]\s*\.join\(\s*'[^']*'\s*\)),?(?=\n)/g;
function explanation(text) {
    if (text.includes('valType:')) throw new Error(`this is more than a description: ${text}`);
    return '';
}

// plotly.js ships its WebGL modules as one unminified webpack file. Only those that the
// wanted ones reach are kept.
function reached(text) {
    const head = text.indexOf('/***/ ');
    const runtime = text.indexOf('/******/ \t});');
    const modules = new Map();
    for (const part of text.slice(head, runtime).split(/^\/\*\*\*\/ (?=\d+:$)/m).slice(1)) {
        modules.set(part.slice(0, part.indexOf(':')), part);
    }
    const entry = /__webpack_exports__ = __webpack_require__\((\d+)\)/.exec(text)[1];
    const lines = modules.get(entry).split('\n');
    modules.set(entry, lines.filter((l) => !/^  \w+: __/.test(l) || WEBGL.includes(l.trim().split(':')[0])).join('\n'));
    const kept = new Set();
    const visit = (id) => {
        if (kept.has(id)) return;
        kept.add(id);
        for (const [, next] of modules.get(id).matchAll(/__webpack_require__\((\d+)\)/g)) visit(next);
    };
    visit(entry);
    const parts = [...modules].filter(([id]) => kept.has(id)).map(([, part]) => `/***/ ${part}`);
    // The one text that would be code: a page that forbids that never reaches it.
    const tail = text.slice(runtime).replace("new Function('return this')()", 'window');
    return text.slice(0, head) + parts.join('') + tail;
}

const trim = {
    name: 'trim',
    setup(plugin) {
        const component = new RegExp(`src[\\\\/]components[\\\\/](${UNUSED.join('|')})[\\\\/]index\\.js$`);
        plugin.onLoad({ filter: /stackgl_modules[\\/]index\.js$/ }, async ({ path }) => {
            return { contents: reached(await readFile(path, 'utf8')), loader: 'js' };
        });
        plugin.onLoad({ filter: /plotly\.js[\\/]src[\\/].*\.js$/ }, async ({ path }) => {
            if (component.test(path)) {
                // A figure's layout holds an empty list of each, which other parts count.
                const name = component.exec(path)[1];
                const contents = `module.exports = { moduleType: 'component', name: '${name}',
                    supplyLayoutDefaults: (_, layout) => { layout.${name} = []; } };`;
                return { contents, loader: 'js' };
            }
            return { contents: (await readFile(path, 'utf8')).replace(DESCRIPTION, explanation), loader: 'js' };
        });
        // Only maps draw with these styles.
        plugin.onLoad({ filter: /\.css$/ }, () => ({ contents: '', loader: 'js' }));
    },
};

const result = await build({
    stdin: {
        contents: `
            const Plotly = require('plotly.js/lib/core');
            Plotly.register([require('plotly.js/lib/bar'), require('plotly.js/lib/surface')]);
            module.exports = Plotly;`,
        resolveDir: here('.'),
    },
    bundle: true,
    format: 'iife',
    globalName: 'Plotly',
    minify: true,
    target: 'es2020',
    charset: 'utf8',
    legalComments: 'none',
    define: { global: 'window', 'define.amd': 'false', 'process.env.NODE_DEBUG': 'false' },
    plugins: [trim],
    metafile: true,
    write: false,
    logLevel: 'warning',
});
// The licences of everything inside: plotly.js and d3 in the file itself, since a page is a copy
// of them, all of them beside it.
const packages = new Set();
const [{ inputs }] = Object.values(result.metafile.outputs);
for (const [path, { bytesInOutput }] of Object.entries(inputs)) {
    if (bytesInOutput === 0 || path.endsWith('.css')) continue;
    const found = /^(?:.*node_modules\/)((?:@[^/]+\/)?[^/]+)\//.exec(path);
    if (found) packages.add(path.slice(0, found[0].length));
}
const licences = [];
for (const folder of [...packages].sort()) {
    const { name, version, license } = JSON.parse(await readFile(here(`${folder}package.json`), 'utf8'));
    const file = (await readdir(here(folder))).find((f) => /^licen[cs]e/i.test(f));
    const text = file ? (await readFile(here(folder + file), 'utf8')).trim() : 'The package holds no licence file.';
    licences.push({ name, text: `${name} ${version}: ${license}\n\n${text}\n` });
}
await writeFile(here('../plotly-rideloop.licences.txt'), licences.map(({ text }) => text).join('\n\n'));
const own = licences.filter(({ name }) => ['plotly.js', '@plotly/d3'].includes(name)).map(({ text }) => text);
const head = `/*! traces scatter, bar, surface of\n\n${own.join('\n').replaceAll('*/', '* /')}*/\n`;
// Inside a page no text of a script may look like the end of it.
const script = result.outputFiles[0].text.replaceAll('</script', '<\\/script');
const text = head + script;
await writeFile(out, text);
console.log(`${text.length} characters, sha256 ${createHash('sha256').update(text).digest('hex')}`);
if (process.argv.includes('--what')) {
    const folders = new Map();
    for (const [path, { bytesInOutput }] of Object.entries(inputs)) {
        const folder = path.replace('node_modules/', '').split('/').slice(0, 4).join('/');
        folders.set(folder, (folders.get(folder) ?? 0) + bytesInOutput);
    }
    const list = [...folders].sort((a, b) => b[1] - a[1]).slice(0, 60);
    for (const [folder, bytes] of list) console.log(String(bytes).padStart(8), folder);
}
