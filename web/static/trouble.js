// While the data folder can't be read: asks again by itself and shows the page as soon as it can be.

const EVERY_MS = 5000;
const told = document.getElementById("again");

async function again() {
  try {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (answer.ok) location.reload();
  } catch {
    // Told by the page's own alarm.
  }
  setTimeout(again, EVERY_MS);
}

told.textContent = `Asked again every ${EVERY_MS / 1000} seconds.`;
setTimeout(again, EVERY_MS);
