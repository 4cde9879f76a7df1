// Talks to the server of this page, and to nobody else.

export class Refused extends Error {
  constructor(status, data) {
    super(data?.error || "The program did not answer as expected.");
    this.status = status;
    this.data = data || {};
  }
}

export class Gone extends Error {
  constructor() {
    super("The program is not running any more. Start rakelight review again, and open the address it prints.");
  }
}

async function call(path, options = {}) {
  let response;
  try {
    response = await fetch(path, { credentials: "same-origin", ...options });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Gone();
  }
  let data = null;
  try {
    data = await response.json();
  } catch {
    data = null;
  }
  if (response.status === 403 && !data) throw new Gone();
  if (!response.ok) throw new Refused(response.status, data);
  return data;
}

export const room = () => call("/api/room");
export const state = (doll) => call(`/api/${doll}/state`);
export const photo = (doll, id, why) => call(`/api/${doll}/photos/${id}${why ? `?${why}=1` : ""}`);
export const save = (doll) => call(`/api/${doll}/save`, { method: "POST" });

export const step = (doll, revision, action) =>
  call(`/api/${doll}/do`, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ revision, action }),
  });

export const send = (doll, file) =>
  call(`/api/${doll}/photos`, {
    method: "POST",
    headers: { "Content-Type": "application/octet-stream", "X-Name": encodeURIComponent(file.name) },
    body: file,
  });

export const whole = (doll, photo, size) => `/api/${doll}/photos/${photo.id}/whole/${size}?v=${photo.stamp}`;
export const tile = (doll, photo, level, column, row) =>
  `/api/${doll}/photos/${photo.id}/tile/${level}/${column}/${row}?v=${photo.stamp}`;
export const relief = (doll, photo, kind, box) =>
  `/api/${doll}/photos/${photo.id}/relief/${kind}?v=${photo.stamp}&box=${box.map((v) => Math.round(v)).join(",")}`;
