@echo off
rem Runs every test; further words go to pytest; environment.py does the work.
setlocal
if not defined PYTHON where py >nul 2>nul && set "PYTHON=py"
if not defined PYTHON set "PYTHON=python"
"%PYTHON%" "%~dp0environment.py" test %*
exit /b %errorlevel%
