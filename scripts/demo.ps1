# Set everything up and run the whole job against the practice server, on Windows. Untried: there was no Windows to try it on.
# Needs Python 3.11 or newer from python.org. Arguments go to `lastbar demo`. In PowerShell, in the folder above this one:
#     powershell -ExecutionPolicy Bypass -File scripts\demo.ps1 --desk
$ErrorActionPreference = "Stop"
$top = Join-Path $PSScriptRoot ".."
$venv = Join-Path $top ".venv"
$python = Join-Path $venv "Scripts\python.exe"
if (-not (Test-Path (Join-Path $venv ".prepared-full"))) {
    if (-not (Test-Path $python)) { py -3 -m venv $venv }
    Write-Host "Installing into .venv, once ..."
    & $python -m pip install --quiet --require-hashes --requirement (Join-Path $top "requirements\build.txt")
    if ($LASTEXITCODE -ne 0) { exit $LASTEXITCODE }
    & $python -m pip install --quiet --require-hashes --no-build-isolation --use-pep517 `
        --requirement (Join-Path $top "requirements\full.txt")
    if ($LASTEXITCODE -ne 0) { exit $LASTEXITCODE }
    & $python -m pip install --quiet --no-deps --no-build-isolation --editable $top
    if ($LASTEXITCODE -ne 0) { exit $LASTEXITCODE }
    New-Item -ItemType File (Join-Path $venv ".prepared-full") | Out-Null
}
& (Join-Path $venv "Scripts\lastbar.exe") demo @args
exit $LASTEXITCODE
