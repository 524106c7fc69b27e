"use strict";
// Joins the sound to the words: a button, a tap or an arrow key says a time, the clip that holds it plays from there,
// and the mark on the strip follows whatever is playing.
document.documentElement.classList.remove("plain");

function clock(seconds) {
  const whole = Math.round(seconds);
  const two = (n) => String(n).padStart(2, "0");
  const rest = two(Math.floor(whole / 60) % 60) + ":" + two(whole % 60);
  return whole < 3600 ? rest : Math.floor(whole / 3600) + ":" + rest;
}

function blobOf(source) { // some phones will not seek in a data: address
  const [head, body] = source.split(",");
  const bytes = Uint8Array.from(atob(body), (letter) => letter.charCodeAt(0));
  return URL.createObjectURL(new Blob([bytes], { type: head.slice(5).split(";")[0] }));
}

for (const article of document.querySelectorAll("article[data-duration]")) {
  const clips = [...article.querySelectorAll("audio")];
  if (!clips.length) continue;
  const mark = article.querySelector(".mark");
  const said = article.querySelector(".said");
  const lead = Number(article.dataset.lead);
  const stops = article.dataset.stops.split(" ").filter(Boolean).map(Number);
  const startOf = (clip) => Number(clip.dataset.start);
  const endOf = (clip) => Number(clip.dataset.end);
  let pointed = false;
  let held = false; // while a finger is down the place is its own, not the sound's

  const show = (time) => {
    mark.value = time;
    mark.setAttribute("aria-valuetext", clock(time));
  };
  const reach = (clip) => { // of many pieces only the player in use is shown
    clips.forEach((each) => { each.parentElement.hidden = each !== clip; });
  };
  const far = (clip, time) => Math.max(startOf(clip) - time, time - endOf(clip), 0);

  const hear = (time) => {
    const clip = clips.reduce((best, each) => (far(each, time) < far(best, time) ? each : best));
    const away = far(clip, time);
    const from = Math.min(Math.max(time, startOf(clip)), Math.max(endOf(clip) - 0.5, startOf(clip)));
    said.textContent = (away > 1 ? "No sound was kept at " + clock(time) + "; the nearest is played from " : "Plays from ") +
      clock(from) + ".";
    clip.currentTime = from - startOf(clip);
    show(from);
    reach(clip);
    clip.play().catch(() => { said.textContent = "This browser will not play it; use the player's own button."; });
  };

  reach(clips[0]);
  for (const clip of clips) {
    clip.src = blobOf(clip.src);
    let frame = 0;
    const follow = () => {
      if (!held) show(startOf(clip) + clip.currentTime);
      if (!clip.paused && !clip.ended) frame = requestAnimationFrame(follow);
    };
    clip.addEventListener("play", () => {
      document.querySelectorAll("audio").forEach((other) => { if (other !== clip) other.pause(); });
      cancelAnimationFrame(frame);
      follow();
    });
    clip.addEventListener("seeked", () => { if (clip.paused && clip.currentTime > 0) follow(); });
  }
  for (const button of article.querySelectorAll("button[data-at]")) {
    button.addEventListener("click", () => hear(Math.max(0, Number(button.dataset.at) - lead)));
  }
  // A tap near a stop means the stop: a finger is broader than a post.
  const meant = (time) => {
    const second = (mark.clientWidth || 1) / Number(article.dataset.duration);
    const near = stops.find((stop) => Math.abs(stop - time) * second < 10);
    return near === undefined ? time : Math.max(0, near - lead);
  };
  mark.addEventListener("pointerdown", () => { pointed = held = true; });
  for (const end of ["pointerup", "pointercancel"]) window.addEventListener(end, () => { held = false; });
  mark.addEventListener("keydown", () => { pointed = false; });
  mark.addEventListener("input", () => { if (!pointed) hear(Number(mark.value)); });
  mark.addEventListener("change", () => { if (pointed) hear(meant(Number(mark.value))); });
}
