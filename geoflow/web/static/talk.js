// Talking to the local server: every post names this tab; long work answers line by line.

let tab = "new";
let gone = () => {};

export function nameTab(token) {
  tab = token;
}

// What to do when the server has let go of this tab, or has been started anew and never knew it.
export function whenGone(act) {
  gone = act;
}

async function post(name, body, signal = null) {
  const answer = await fetch(`/do/${name}`, {
    method: "POST",
    headers: { "X-Geoflow-Tab": tab, "Content-Type": "application/octet-stream" },
    body,
    signal,
    cache: "no-store",
    redirect: "error",
  }).catch((problem) => {
    if (problem.name === "AbortError") throw problem;
    throw new Error("the page's server does not answer\n  cure:  start 'geoflow page' again, then reload");
  });
  if (!answer.ok) {
    const text = await answer.text();
    let words = text;
    try {
      const said = JSON.parse(text);
      words = said.error ?? text;
      if (said.gone) words = gone(words) ?? words;
    } catch {
      // plain words already
    }
    throw new Error(words || `the server refused (${answer.status})`);
  }
  return answer;
}

export async function ask(name, question, signal = null) {
  return (await post(name, JSON.stringify(question), signal)).json();
}

// What a task made for a question, which has to be the same again.
export async function fetchMade(task, of) {
  return (await post("download", JSON.stringify({ task, of }))).blob();
}

// Files as they are now; later changes on the disk make no difference.
export async function contents(files) {
  return Promise.all(
    files.map(async (file) => {
      try {
        return { name: file.name, content: await file.arrayBuffer() };
      } catch {
        throw new Error(`the browser cannot read it: it is a folder, or was moved or changed since it was chosen\n  where: ${file.name}\n  cure:  choose the file again`);
      }
    }),
  );
}

// One frame: the header's length, the header, the files end to end.
export function frame(header, files) {
  const listed = { ...header, files: files.map(({ name, content }) => ({ name, size: content.byteLength })) };
  const text = new TextEncoder().encode(JSON.stringify(listed));
  const length = new DataView(new ArrayBuffer(4));
  length.setUint32(0, text.length);
  return new Blob([length.buffer, text, ...files.map(({ content }) => content)]);
}

// Long work: calls `stage` with words as they come; gives {done}, {stopped} or throws.
export async function work(name, body, stage, signal = null) {
  const answer = await post(name, body, signal);
  const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
  let rest = "";
  for (;;) {
    const { value, done } = await reader.read();
    if (done) throw new Error("the work ended without an answer\n  cure:  try again");
    rest += value;
    const lines = rest.split("\n");
    rest = lines.pop();
    for (const line of lines) {
      const said = JSON.parse(line);
      if ("stage" in said) stage(said.stage);
      else if ("error" in said) throw new Error(said.error);
      else return said;
    }
  }
}

export function leave() {
  if (tab === "new") return;
  fetch("/do/close", { method: "POST", headers: { "X-Geoflow-Tab": tab }, body: "{}", keepalive: true });
}

export function save(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}
