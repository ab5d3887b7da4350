// Says when the line to the computer at the site is lost, and when it is back. The stream itself reconnects by itself.
document.addEventListener("htmx:sse:error", () => { document.getElementById("lost").hidden = false; });
document.addEventListener("htmx:sse:close", () => { document.getElementById("lost").hidden = false; });
document.addEventListener("htmx:sse:after:connection", () => { document.getElementById("lost").hidden = true; });
