// What the page knows: state, figures and shapes of the server, and what is chosen here. Everybody else listens.

import { get, post, Refused } from "./api.js";

const RETRY_MS = 2000;
const HIDDEN_S = 5;

/** @typedef {{revision: number, [key: string]: any}} State */

class Store extends EventTarget {
  constructor() {
    super();
    /** @type {State|null} */
    this.state = null;
    /** @type {any} */
    this.figures = null;
    /** @type {any} */
    this.shapes = null;
    /** @type {string|null} */
    this.chosen = null;
    this.step = "ground";
    this.figuresTrue = false;
    this.trouble = "";
    this.refusal = ""; // the last one
    this.following = new AbortController();
  }

  /**
   * Tell everybody who listens.
   * @param {string} what
   * @param {any} [detail]
   */
  tell(what, detail) {
    this.dispatchEvent(new CustomEvent(what, { detail }));
  }

  /** @param {string} what @param {(detail: any) => void} hear */
  on(what, hear) {
    this.addEventListener(what, (event) => hear(/** @type {CustomEvent} */ (event).detail));
  }

  async start() {
    this.take(await get("/api/state"));
    this.follow();
  }

  /**
   * A new state of the server.
   * @param {State} state
   */
  take(state) {
    const changed = this.state?.revision !== state.revision;
    // An answer may be older than an event that came meanwhile: it knows nothing of a job, or not that it has ended.
    for (const [kind, job] of Object.entries(this.state?.jobs ?? {})) {
      const told = state.jobs[kind];
      const older = !told || told.started < job.started || (told.started === job.started && job.ended && !told.ended);
      if (older) state.jobs[kind] = job;
    }
    this.state = state;
    if (this.chosen && !state.areas.some((/** @type {any} */ area) => area.name === this.chosen)) this.choose(null);
    this.tell("state");
    if (changed) this.refresh();
  }

  // Figures and shapes of the newest revision; an older question is dropped, since nobody needs its answer.
  async refresh() {
    this.following.abort();
    this.following = new AbortController();
    const { signal } = this.following;
    this.figuresTrue = false;
    this.tell("figures");
    if (this.state?.lacks) {
      this.figures = null;
      this.shapes = null;
      this.trouble = "";
      this.tell("shapes");
      this.tell("figures");
      return;
    }
    try {
      this.shapes = await get("/api/shapes", signal);
      this.trouble = "";
      this.tell("shapes");
      this.figures = await get("/api/figures", signal);
      this.figuresTrue = true;
      this.tell("figures");
      this.take(await get("/api/state", signal)); // the steps say what the figures mean
    } catch (fault) {
      if (/** @type {Error} */ (fault).name === "AbortError") return;
      if (fault instanceof Refused && fault.status === 409) return; // a newer revision is on its way
      this.trouble = /** @type {Error} */ (fault).message;
      this.tell("figures");
    }
  }

  /**
   * Make a change to the brief. Gives whether it was made.
   * @param {object} change
   */
  async change(change) {
    return this.send("/api/change", { change });
  }

  /**
   * Undo, redo and the like.
   * @param {string} path
   * @param {object} [body]
   */
  async send(path, body = {}) {
    try {
      this.take(await post(path, { revision: this.state?.revision, ...body }));
      this.tell("notice", "");
      return true;
    } catch (fault) {
      await this.refused(fault);
      return false;
    }
  }

  /** @param {unknown} fault */
  async refused(fault) {
    if (fault instanceof Refused && fault.status === 409) {
      if ("theirs" in fault.told) this.tell("elsewhere", fault.told);
      else this.take(await get("/api/state"));
    }
    this.refusal = fault instanceof Refused ? fault.message : "The desk does not answer. Is it still running?";
    this.tell("notice", this.refusal);
  }

  /**
   * Start a job.
   * @param {string} kind
   * @param {object} [options]
   */
  async startJob(kind, options = {}) {
    try {
      this.take(await post(`/api/jobs/${kind}`, options));
      this.tell("notice", "");
      return true;
    } catch (fault) {
      await this.refused(fault);
      return false;
    }
  }

  /** @param {string} kind */
  async stopJob(kind) {
    this.take(await post(`/api/jobs/${kind}/stop`));
  }

  /** @param {string|null} name of an area */
  choose(name) {
    if (name === this.chosen) return;
    this.chosen = name;
    this.tell("chosen");
  }

  /** @param {string} name of a step */
  open(name) {
    this.step = name;
    this.tell("step");
  }

  area(name = this.chosen) {
    return this.state?.areas.find((/** @type {any} */ area) => area.name === name) ?? null;
  }

  /** @param {string} kind */
  job(kind) {
    return this.state?.jobs[kind] ?? null;
  }

  /**
   * Whether what a job found is of another brief than the one that is there now.
   * @param {any} job
   */
  outdated(job) {
    return Boolean(job?.result) && job.brief_mark !== this.state?.brief_mark;
  }

  // A page that nobody sees asks for less, and all the same hears of an end and of a sign-in within seconds.
  follow() {
    const events = new EventSource(document.hidden ? `/api/events?apart=${HIDDEN_S}` : "/api/events");
    const again = () => {
      events.close();
      this.follow();
    };
    document.addEventListener("visibilitychange", again, { once: true });
    events.addEventListener("state", async ({ data }) => {
      const told = JSON.parse(data);
      if (!this.state) return;
      if (told.path !== this.state.path) location.reload(); // another trip is on the desk now
      else if (told.revision !== this.state.revision) this.take(await get("/api/state"));
      else this.take({ ...this.state, steps: told.steps, brief_mark: told.brief_mark, cards: told.cards, undescribed: told.undescribed });
    });
    for (const kind of ["fetch", "survey", "describe", "verify", "handover", "inspect", "prune", "merge", "split", "take-in"]) {
      events.addEventListener(`job-${kind}`, ({ data }) => this.heard(kind, JSON.parse(data)));
    }
    events.addEventListener("elsewhere", ({ data }) => this.heardElsewhere(JSON.parse(data)));
    events.addEventListener("elsewhere-survey", ({ data }) => {
      if (!this.state) return;
      this.state.survey_elsewhere = JSON.parse(data);
      this.tell("state");
    });
    events.addEventListener("open", () => this.tell("lost", false));
    events.addEventListener("error", () => {
      this.tell("lost", true);
      if (events.readyState !== EventSource.CLOSED) return;
      document.removeEventListener("visibilitychange", again);
      setTimeout(() => this.follow(), RETRY_MS);
    });
  }

  /**
   * A fetch that another process runs, or null once none does.
   * @param {any} job
   */
  heardElsewhere(job) {
    if (!this.state) return;
    const before = this.state.elsewhere;
    this.state.elsewhere = job;
    if (job?.step) this.state.steps[job.step.name] = job.step;
    this.tell("steps");
    if (before || job) this.tell("job", { kind: "fetch", job: job ?? before, ended: !job });
  }

  /** @param {string} kind @param {any} job */
  heard(kind, job) {
    if (!this.state) return;
    const before = this.state.jobs[kind];
    this.state.jobs[kind] = job;
    if (job.step) this.state.steps[job.step.name] = job.step;
    this.tell("steps");
    this.tell("job", { kind, job, ended: before?.state !== job.state && ["done", "failed"].includes(job.state) });
  }
}

export const store = new Store();
