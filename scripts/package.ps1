# Make the packaged folder in dist\ on Windows, as scripts/package does elsewhere. Untried: there was no Windows to try it on.
# Needs Python 3.11 or newer from python.org. In PowerShell, in the folder above this one:
#     powershell -ExecutionPolicy Bypass -File scripts\package.ps1 --archive
$ErrorActionPreference = "Stop"
Set-Location (Join-Path $PSScriptRoot "..")
$venv = "build\package-venv"
if (-not (Test-Path "$venv\.prepared")) {
    py -3 -m venv $venv
    & "$venv\Scripts\python.exe" -m pip install --quiet --require-hashes --requirement requirements\build.txt
    & "$venv\Scripts\python.exe" -m pip install --quiet --require-hashes --no-build-isolation --use-pep517 `
        --requirement requirements\package.txt
    if ($LASTEXITCODE -ne 0) { exit $LASTEXITCODE }
    New-Item -ItemType File "$venv\.prepared" | Out-Null
}
& "$venv\Scripts\python.exe" scripts\package_folder.py @args
exit $LASTEXITCODE
