"""Drives the page of a running recording in headless Chromium and reports what a person would see.

usage: live_record.py CHROMIUM URL DIRECTORY

The talk with the test is as in browser_page.py.
"""
import json, sys

from browser_page import TILE, Page, do

chromium, url, directory = sys.argv[1:4]
VOLTAGE, REVOLUTIONS = TILE % "pack.voltage_v", TILE % "engine.speed_rpm"
SAID = "[...document.querySelectorAll('#said li')].map(l => l.textContent)"
report = {}

with Page(chromium, directory) as page:
    page.size(390, 844, False)
    page.call("Page.navigate", url=url)
    page.wait("document.querySelectorAll('.tile.ok').length === 2")
    page.value("localStorage.setItem('who', 'ET')")
    report["address"] = page.value("location.pathname + location.search")
    report["recording"] = page.wait("document.getElementById('rec-word').textContent === 'Recording' && 'Recording'")
    report["session"] = page.value("document.getElementById('session').textContent")

    # Watched where it is shown, so that no value is missed between two looks.
    page.value("""(() => {
        window.seen = [];
        const value = %s.querySelector('.value');
        new MutationObserver(() => window.seen.push(value.textContent)).observe(value, {childList: true, characterData: true, subtree: true});
    })()""" % VOLTAGE)
    page.wait("new Set(window.seen).size >= 5")
    report["values"] = page.value("[...new Set(window.seen)]")
    report["steady"] = page.value(REVOLUTIONS + ".querySelector('.value').textContent")

    do("silence")
    page.wait("document.querySelector('#alarms .grave') && document.querySelector('#alarms').innerText.includes('kit-bus has been silent')")
    page.wait(VOLTAGE + ".classList.contains('stale')")
    report["alarm"] = page.value("document.querySelector('#alarms .grave').innerText")
    report["age"] = page.value(VOLTAGE + ".querySelector('.age').textContent")
    report["other"] = page.value(REVOLUTIONS + ".className")
    do("speak")
    page.wait("!document.querySelector('#alarms').innerText.includes('silent')")
    report["back"] = page.wait(VOLTAGE + ".classList.contains('ok') && 'ok'")

    page.value("document.getElementById('mark-text').click()")
    page.value("document.getElementById('mark-form').elements.text.value = 'bump by the slipway'")
    page.value("document.getElementById('mark-form').requestSubmit()")
    report["marked"] = page.wait(SAID + ".find(t => t.includes('slipway') && !t.includes('Sending'))")

    page.value("document.getElementById('run-button').click()")
    fields = {"run": "hl-07", "route": "harbour loop", "driver": "AB", "payload_kg": "200", "fuel_mass_before_kg": "21,35"}
    for name, text in fields.items():
        page.value(f"document.getElementById('start-form').elements['{name}'].value = {json.dumps(text)}")
    page.value("document.querySelector('#start-form [value=assist]').checked = true")
    page.value("document.getElementById('start-form').requestSubmit()")
    report["run"] = page.wait("document.getElementById('run').textContent.startsWith('Run ') && document.getElementById('run').textContent")
    report["started"] = page.wait(SAID + ".find(t => t.includes('hl-07'))")
    page.shot("recorded-run")
    do("run")

    page.wait("document.getElementById('run-button').textContent === 'Stop run'")
    page.value("document.getElementById('run-button').click()")
    page.value("document.getElementById('stop-form').elements.fuel_mass_after_kg.value = '20,91'")
    page.value("document.getElementById('stop-form').requestSubmit()")
    page.wait("document.getElementById('run').textContent === 'No run'")
    report["stopped"] = page.wait(SAID + ".find(t => t.includes('is over'))")
    report["complaints"] = page.complaints
    print(json.dumps(report), flush=True)
